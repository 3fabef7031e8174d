"""Drills through the command, with an HMI that survives them and one that does not."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from programs import Program, ended, port_of, started
from pyModbusTCP.client import ModbusClient

pytestmark = pytest.mark.network

PLAN = """
drills:
  - {drill: cut, for: 400 ms}
  - {drill: silence, for: 700 ms}
  - {drill: failure, for: 400 ms}
  - {drill: heartbeat, for: 400 ms}
  - {drill: restart, for: 400 ms}
"""


class Hmi(threading.Thread):
    """Polls two blocks ten times a second, and waits before it tries again."""

    def __init__(self, port: int, *, gives_up: bool) -> None:
        super().__init__(daemon=True)
        self._port = port
        self._gives_up = gives_up
        self.done = threading.Event()

    def run(self) -> None:
        client = ModbusClient(port=self._port, unit_id=1, timeout=0.3)
        while not self.done.is_set():
            first = client.read_input_registers(0, 10)
            if first is None and self._gives_up:
                self._give_up(client)
                return
            second = client.read_discrete_inputs(0, 8) if first else None
            self.done.wait(0.1 if second else 0.7)
        client.close()

    def _give_up(self, client: ModbusClient) -> None:
        """An unsound one: hammers one register for ever instead of going back to its polls."""
        while not self.done.is_set():
            client.read_input_registers(2, 1)


ONE = "drills: [{drill: cut, for: 400 ms}]"


def drilled(
    tmp_path: Path, plan: str, within: str, hmi: Callable[[int], Hmi]
) -> tuple[dict, int, Program]:
    (tmp_path / "plan.yaml").write_text(plan, encoding="utf-8")
    record = tmp_path / "drills.json"
    options = ("drill", "--field-port", "0", "--hmi-port", "0", "--unattended")
    options = (*options, "--before", "1500 ms", "--within", within, "--json", str(record))
    options = (*options, "--html", str(tmp_path / "drills.html"))
    with started(*options, "--plan", str(tmp_path / "plan.yaml")) as program:
        thread = hmi(port_of(program.wait_for("ready")["hmi"]))
        thread.start()
        code = program.process.wait(timeout=120)
        thread.done.set()
        thread.join(timeout=10)
    results = json.loads(record.read_text(encoding="utf-8"))["drills"]
    return {result["drill"]: result for result in results}, code, program


def test_a_sound_hmi_passes_every_drill(tmp_path: Path) -> None:
    """It reconnects and polls everything again, and the command ends by itself with 0."""
    results, code, _ = drilled(tmp_path, PLAN, "30 s", lambda port: Hmi(port, gives_up=False))
    assert list(results) == ["cut", "silence", "failure", "heartbeat", "restart"]
    failed = {n: r["checks"] for n, r in results.items() if r["verdict"] != "pass"}
    assert failed == {}
    assert code == 0
    assert set(results["cut"]["answers"].values()) == {"not asked"}
    page = (tmp_path / "drills.html").read_text(encoding="utf-8")
    assert "✓ 5 of 5 drills passed" in page
    assert "machine.yaml" in page


def test_an_hmi_that_gives_up_is_told(tmp_path: Path) -> None:
    """After the first drill it never polls its blocks again, and it floods."""
    results, code, _ = drilled(tmp_path, ONE, "3 s", lambda port: Hmi(port, gives_up=True))
    checks = {check["name"]: check for check in results["cut"]["checks"]}
    assert checks["polls again"]["verdict"] == "fail"
    assert "HEARTBEAT" in checks["polls again"]["seen"]
    assert checks["does not flood"]["verdict"] == "fail"
    assert code == 1


def test_without_an_hmi_there_is_nothing_to_drill() -> None:
    """The command says what to do."""
    command = [sys.executable, "-m", "softctl", "drill", "--before", "200 ms", "--unattended"]
    command += ["--field-port", "0", "--hmi-port", "0", "--only", "cut"]
    begun = time.monotonic()
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2, (done.stdout, time.monotonic() - begun)
    assert "error: expected an HMI that polls, got none" in done.stderr


def test_a_wrong_name_is_told() -> None:
    """With what there is."""
    done = ended("drill", "--only", "cutt")
    assert done.returncode == 2
    assert "did you mean cut?" in done.stderr
