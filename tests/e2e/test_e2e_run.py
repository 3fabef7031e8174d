"""The main job as a user does it: a running machine and somebody else's HMI."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import pytest
from programs import Program, port_of, started
from register_maps import HmiView, hmi_rows
from stacks import CStack, PurePythonStack, Stack

pytestmark = pytest.mark.network

SPEED = 25
STIR_S = 30.0
WATCHED = ("P_101", "P_102", "A_101", "XV_101", "P_101_RUN", "P_102_RUN", "A_101_RUN", "ZSC_101")


@pytest.fixture(scope="module")
def running() -> Iterator[Program]:
    with started("run", "--speed", str(SPEED), "--field-port", "0", "--hmi-port", "0") as program:
        yield program


@pytest.fixture(scope="module")
def hmi_port(running: Program) -> int:
    return port_of(running.wait_for("ready")["hmi"])


@pytest.fixture(params=["pyModbusTCP", "libmodbus"])
def hmi(
    request: pytest.FixtureRequest, hmi_port: int, require_library: Callable[[str], str]
) -> Iterator[HmiView]:
    stack: Stack
    if request.param == "libmodbus":
        stack = CStack(require_library("modbus"), hmi_port)
    else:
        stack = PurePythonStack(hmi_port)
    yield HmiView(hmi_rows(), stack)
    stack.close()


def phases(hmi: HmiView, wanted: int, timeout_s: float) -> list[str]:
    """Watch the outputs until `wanted` phases have begun; every image is checked.

    Feeds are off before the agitator starts and the outlet opens after it stops (common
    practice for batch vessels).
    """
    found: list[str] = []
    deadline = time.monotonic() + timeout_s
    while len(found) < wanted:
        assert time.monotonic() < deadline, f"only {found} in {timeout_s} s"
        bits = hmi.bits(*WATCHED)
        feeds = bits["P_101"] or bits["P_102"]
        turning = bits["P_101_RUN"] or bits["P_102_RUN"]
        assert not (bits["A_101"] and (feeds or turning)), bits
        assert not (bits["XV_101"] and (feeds or turning)), bits
        assert not (bits["XV_101"] and (bits["A_101"] or bits["A_101_RUN"])), bits
        assert not (feeds and not bits["ZSC_101"]), bits
        phase = (
            "feed" if feeds else "stir" if bits["A_101"] else "discharge" if bits["XV_101"] else ""
        )
        if phase and (not found or found[-1] != phase):
            found.append(phase)
    return found


def test_an_independent_hmi_starts_two_cycles_and_stops_them(hmi: HmiView) -> None:
    """A client that knows only the register map runs the machine through two cycles."""
    hmi.set_seconds("STIR_TIME", STIR_S)
    before = hmi.words("BATCHES")
    hmi.command("START")
    cycle = ["feed", "stir", "discharge"]
    assert phases(hmi, 7, timeout_s=100) == [*cycle, *cycle, "feed"]
    assert hmi.words("BATCHES")[0] == before[0] + 2
    level = hmi.real("LT_101")
    assert 0.2 < level < 1.3, "between the lower and the upper switch, in metres"
    hmi.command("STOP")
    deadline = time.monotonic() + 5
    while any(hmi.bits("P_101", "P_102", "A_101", "XV_101", "RUNNING").values()):
        assert time.monotonic() < deadline, "STOP does not stop"


def test_the_heartbeat_moves_and_the_link_is_healthy(hmi: HmiView) -> None:
    """An HMI can tell a live controller from a frozen one."""
    first = hmi.words("HEARTBEAT")
    deadline = time.monotonic() + 5
    while hmi.words("HEARTBEAT") == first:
        assert time.monotonic() < deadline
    assert hmi.bits("FIELD_LINK", "COMMS_ALARM") == {"FIELD_LINK": True, "COMMS_ALARM": False}


def test_ctrl_c_ends_cleanly(running: Program) -> None:
    """Ctrl-C ends the run with exit code 0 and no traceback."""
    assert running.stop() == 0
    assert running.wait_for("stopped")["event"] == "stopped"
    assert all(event["event"] != "not JSON" for event in running.seen)
