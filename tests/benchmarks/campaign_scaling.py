"""How much faster two processes do a campaign's runs than one.

    python tests/benchmarks/campaign_scaling.py [RUNS]

The demo's campaign, the same runs with one worker and with two; what both find is compared
too. The peer of the second process is the first: the ratio says what starting it and sharing
the runs out costs. Wall time means something only on a computer with two free processors;
the ratio of processor times says what such a computer would show: the time of the one against
that of the process that shares out and of the slower of the two that run.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path
from time import perf_counter, process_time

from softctl.runtime import campaigns
from softctl.runtime.campaigns import find_campaigns, run_campaign
from softctl.runtime.folder import demo_folder

_run = campaigns._run
_notes = Path(tempfile.mkdtemp(prefix="campaign_scaling_"))


def _noted(number: int) -> campaigns.Run:
    """A run in a worker, which leaves a note of the processor time that it has used."""
    run = _run(number)
    (_notes / str(os.getpid())).write_text(str(process_time()), encoding="utf-8")
    return run


def _slowest(notes: Iterable[Path]) -> float:
    return max((float(note.read_text(encoding="utf-8")) for note in notes), default=0.0)


def measure(folder: Path, runs: int) -> dict[str, float]:
    """Wall and processor seconds of both, and their ratios."""
    campaigns._run = _noted
    (where,) = find_campaigns(folder, ())
    wall, own, found = {}, {}, {}
    for workers in (1, 2):
        begin, used = perf_counter(), process_time()
        outcome = run_campaign(
            folder, where, runs=runs, seed=1, workers=workers, on_run=lambda _: None
        )
        wall[workers], own[workers] = perf_counter() - begin, process_time() - used
        found[workers] = outcome.findings
    assert found[1] == found[2], "what is found must not depend on the workers"
    slowest = _slowest(_notes.iterdir())
    return {
        "one worker, wall s": wall[1],
        "two workers, wall s": wall[2],
        "wall, one against two": wall[1] / wall[2],
        "one worker, processor s": own[1],
        "two workers: sharing out, processor s": own[2],
        "two workers: the slower, processor s": slowest,
        "processor time, one against two": own[1] / (own[2] + slowest),
    }


def main() -> None:
    """Print the figures."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    for name, value in measure(demo_folder(), runs).items():
        print(f"{name:<40} {value:10.2f}")


if __name__ == "__main__":
    main()
