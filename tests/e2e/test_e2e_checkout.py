"""The checkout through the command: a person types, an HMI of another stack writes."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from pyModbusTCP.client import ModbusClient

pytestmark = pytest.mark.network


def checkout(*arguments: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "softctl", "checkout", *arguments, "--hmi-port", "0"]
    return subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "COLUMNS": "200"},
    )


def read_until(process: subprocess.Popen[str], pattern: str) -> re.Match[str]:
    assert process.stdout is not None
    seen = ""
    while line := process.stdout.readline():
        seen += line
        if found := re.search(pattern, line):
            return found
    raise AssertionError(f"no {pattern} in {seen}")


def say(process: subprocess.Popen[str], text: str) -> None:
    assert process.stdin is not None
    process.stdin.write(f"{text}\n")
    process.stdin.flush()


def test_a_checkout_is_broken_off_and_gone_on_with(tmp_path: Path) -> None:
    """Typed answers, a write that is seen by itself, quit, the rest, and the record."""
    record, page = tmp_path / "record.json", tmp_path / "record.html"
    options = ("--state", str(tmp_path), "--only", "START", "--only", "LT_101:?0%")
    first = checkout(*options, "--reviewer", "E. Two")
    port = int(read_until(first, r"HMI map at 127.0.0.1:(\d+)")[1])
    read_until(first, "put: 0.69 m")
    hmi = ModbusClient(port=port, unit_id=1)
    say(first, "plenty")
    read_until(first, "expected a number such as 12.5 or 12,5, got 'plenty'")
    say(first, "0,69 # fine")
    read_until(first, "✓ pass  understood: 0.69 m")
    read_until(first, "Press it once")
    assert hmi.write_single_coil(0, True)
    read_until(first, "✓ pass  seen: TRUE written once by 127.0.0.1")
    hmi.close()
    rest, _ = first.communicate(timeout=30)
    assert "2 of 2 steps passed" in rest
    assert first.returncode == 0

    again = checkout(*options, "--only", "STOP", "--json", str(record), "--html", str(page))
    text, _ = again.communicate("fail no button <yet>\n", timeout=60)
    assert again.returncode == 1
    assert "Going on with the session" in text
    assert "2 of 3 steps passed, 1 failed" in text
    found = json.loads(record.read_text(encoding="utf-8"))
    assert {step["id"]: step["attempt"]["verdict"] for step in found["steps"]} == {
        "LT_101:50%": "pass",
        "START:press": "pass",
        "STOP:press": "fail",
    }
    assert "no button &lt;yet&gt;" in page.read_text(encoding="utf-8")
