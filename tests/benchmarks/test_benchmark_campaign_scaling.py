"""The benchmark of campaigns runs, and finds the same with one worker and two."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path


def test_the_benchmark_measures_both() -> None:
    """Two runs give a figure for each line, in a process of its own, which may be forked."""
    script = Path(__file__).with_name("campaign_scaling.py")
    done = subprocess.run(
        [sys.executable, str(script), "2"], capture_output=True, text=True, timeout=240, check=False
    )
    assert done.returncode == 0, done.stderr
    figures = [float(line.split()[-1]) for line in done.stdout.splitlines()]
    assert len(figures) == 7
    assert min(figures) > 0
