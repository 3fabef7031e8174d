"""The demo's two servers, running, against the conformance runner as a user starts it."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from programs import port_of, started

pytestmark = pytest.mark.network


def softctl(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "softctl", *arguments], capture_output=True, text=True, timeout=120
    )


@pytest.fixture(scope="module")
def ports() -> Iterator[dict[str, int]]:
    # Scans far apart: each clears the commands, also one that a case is about to read back.
    with started("run", "--field-port", "0", "--hmi-port", "0", "--speed", "0.02") as program:
        ready = program.wait_for("ready")
        program.wait_for("field link healthy")
        yield {server: port_of(ready[server]) for server in ("field", "hmi")}


@pytest.mark.parametrize(
    ("server", "options", "least"),
    [
        ("field", [], 160),
        ("hmi", ["--write-range", "coils:1-5", "--write-range", "holding:0-9"], 180),
    ],
)
def test_a_running_server_fails_no_case(
    ports: dict[str, int], tmp_path: Path, server: str, options: list[str], least: int
) -> None:
    """With the register map as its own command writes it; set points keep their ranges."""
    rows = softctl("points", "--as", "json").stdout
    (tmp_path / "map.json").write_text(rows, encoding="utf-8")
    result = softctl(
        "conform",
        f"127.0.0.1:{ports[server]}",
        *("--map", str(tmp_path / "map.json"), "--map-server", server),
        *options,
        *("--as", "json", "--html", str(tmp_path / "result.html")),
    )
    assert result.returncode == 0, result.stdout + result.stderr
    report = json.loads(result.stdout)
    assert report["counts"]["fail"] == 0
    assert report["counts"]["pass"] >= least
    assert report["not_restored"] == []
    assert "No case failed" in (tmp_path / "result.html").read_text(encoding="utf-8")
