"""Field and controller as two processes, and what happens when the wire between them dies."""

from __future__ import annotations

import shutil
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from programs import port_of, started
from pyModbusTCP.client import ModbusClient
from register_maps import HmiView, hmi_rows
from stacks import PurePythonStack

from softctl.runtime.folder import demo_folder

pytestmark = pytest.mark.network

SPEED = "10"


def wait_until(condition: Callable[[], bool], what: str, timeout_s: float = 20.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, f"never: {what}"
        time.sleep(0.005)


def test_a_killed_field_is_an_alarm_and_a_restarted_one_is_found_again() -> None:
    """A killed field gives fail-safe values and an alarm; a new one on its port just works."""
    with started("field", "--port", "0", "--speed", SPEED) as field:
        port = port_of(field.wait_for("ready")["field"])
        where = f"127.0.0.1:{port}"
        with started("control", "--field", where, "--hmi-port", "0", "--speed", SPEED) as control:
            hmi_port = port_of(control.wait_for("ready")["hmi"])
            stack = PurePythonStack(hmi_port)
            hmi = HmiView(hmi_rows(), stack)
            wait_until(lambda: hmi.bits("FIELD_LINK")["FIELD_LINK"], "link healthy")
            assert not hmi.bits("COMMS_ALARM")["COMMS_ALARM"]
            hmi.command("START")
            wait_until(lambda: hmi.bits("P_101")["P_101"], "feeding")
            control.wait_for("field link healthy")

            field.kill()
            control.wait_for("field link lost")
            wait_until(lambda: hmi.bits("COMMS_ALARM")["COMMS_ALARM"], "comms alarm")
            outputs = hmi.bits("P_101", "P_102", "A_101", "XV_101")
            assert not any(outputs.values()), "every output at its declared fail-safe value"

            with started("field", "--port", str(port), "--speed", SPEED) as again:
                again.wait_for("ready")
                control.wait_for("field link healthy")
                wait_until(lambda: not hmi.bits("COMMS_ALARM")["COMMS_ALARM"], "alarm over")
                time.sleep(0.3)
                assert not hmi.bits("P_101")["P_101"], "nothing starts by itself"
                hmi.command("START")
                wait_until(lambda: hmi.bits("P_101_RUN")["P_101_RUN"], "feeding again")
                assert again.stop() == 0
            stack.close()
            assert control.stop() == 0


def test_a_killed_controller_leaves_the_field_at_fail_safe() -> None:
    """The I/O cards watch their controller and drop the outputs when it dies."""
    with started("field", "--port", "0", "--speed", SPEED) as field:
        port = port_of(field.wait_for("ready")["field"])
        where = f"127.0.0.1:{port}"
        with started("control", "--field", where, "--hmi-port", "0", "--speed", SPEED) as control:
            control.wait_for("field link healthy")
            field.wait_for("outputs driven by")
            control.kill()
        field.wait_for("outputs to fail-safe")


def test_a_terminated_controller_leaves_the_outputs_off_at_once(tmp_path: Path) -> None:
    """SIGTERM is a clean stop: the last thing it writes is fail-safe, long before a watchdog."""
    folder = tmp_path / "machine"
    shutil.copytree(demo_folder(), folder)
    file = folder / "machine.yaml"
    text = file.read_text(encoding="utf-8")
    assert "fail_safe_after: 500 ms" in text
    file.write_text(text.replace("fail_safe_after: 500 ms", "fail_safe_after: 500 s"), "utf-8")
    with started("field", str(folder), "--port", "0", "--speed", SPEED) as field:
        port = port_of(field.wait_for("ready")["field"])
        where = ("--field", f"127.0.0.1:{port}", "--state", str(tmp_path / "state"))
        ports = ("--hmi-port", "0", "--speed", SPEED, "--command", "START")
        with started("control", str(folder), *where, *ports) as control:
            control.wait_for("field link healthy")
            cards = ModbusClient("127.0.0.1", port, unit_id=1, timeout=5)
            wait_until(lambda: any(cards.read_coils(0, 8) or ()), "an output is on")
            control.process.send_signal(signal.SIGTERM)
            assert control.process.wait(timeout=30) == 0
            assert cards.read_coils(0, 8) == [False] * 8
            cards.close()
            assert field.stop() == 0
            assert not any(event["event"] == "outputs to fail-safe" for event in field.seen)
