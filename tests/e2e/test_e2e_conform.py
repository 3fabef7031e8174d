"""The demo's two servers, running, against the conformance runner as a user starts it."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from programs import ended, port_of, started

from softctl.runtime.folder import demo_folder

pytestmark = pytest.mark.network


def softctl(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "softctl", *arguments], capture_output=True, text=True, timeout=120
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo with scans of 10 s, which a run at speed 0.01 makes every 1000 s.

    A scan clears the commands, also one that a case is about to read back. There is one at the
    start, and the next comes when the test is long over, however busy the computer is.
    """
    copy = tmp_path_factory.mktemp("conform") / "machine"
    shutil.copytree(demo_folder(), copy)
    file = copy / "machine.yaml"
    text = file.read_text(encoding="utf-8")
    often = "{scan: 50 ms, fail_safe_after: 500 ms}"
    assert text.count(often) == 1
    file.write_text(text.replace(often, "{scan: 10 s, fail_safe_after: 600 s}"), encoding="utf-8")
    return copy


@pytest.fixture(scope="module")
def ports(folder: Path) -> Iterator[dict[str, int]]:
    options = ("--field-port", "0", "--hmi-port", "0", "--speed", "0.01")
    with started("run", str(folder), *options) as program:
        ready = program.wait_for("ready")
        program.wait_for("step")  # the first scan has been made
        yield {server: port_of(ready[server]) for server in ("field", "hmi")}


@pytest.mark.parametrize(
    ("server", "options", "least"),
    [
        ("field", [], 160),
        ("hmi", ["--write-range", "coils:1-5", "--write-range", "holding:0-9"], 180),
    ],
)
def test_a_running_server_fails_no_case(
    ports: dict[str, int], folder: Path, tmp_path: Path, server: str, options: list[str], least: int
) -> None:
    """With the register map as its own command writes it; set points keep their ranges."""
    rows = ended("points", str(folder), "--as", "json").stdout
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
