"""Field and controller as two processes, and what happens when the wire between them dies."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest
from programs import port_of, started
from register_maps import HmiView, hmi_rows
from stacks import PurePythonStack

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
