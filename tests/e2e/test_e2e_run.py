"""The main job as a user does it: a running machine and somebody else's HMI."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import pytest
from programs import Program, port_of, started
from register_maps import HmiView, hmi_rows
from stacks import CStack, PurePythonStack

pytestmark = pytest.mark.network

SPEED = 25
STIR_S = 30.0
MOST_SCANS = 4_000
"""In which a phase has to come: 200 s of machine time."""
WATCHED = ("P_101", "P_102", "A_101", "XV_101", "P_101_RUN", "P_102_RUN", "A_101_RUN", "ZSC_101")


@pytest.fixture(scope="module")
def running() -> Iterator[Program]:
    with started("run", "--speed", str(SPEED), "--field-port", "0", "--hmi-port", "0") as program:
        yield program


@pytest.fixture(scope="module")
def hmi_port(running: Program) -> int:
    return port_of(running.wait_for("ready")["hmi"])


@pytest.fixture(scope="module")
def hmis(hmi_port: int, require_library: Callable[[str], str]) -> Iterator[list[HmiView]]:
    """Two HMIs beside each other, on pyModbusTCP and on libmodbus."""
    rows = hmi_rows()
    stacks = (PurePythonStack(hmi_port), CStack(require_library("modbus"), hmi_port))
    yield [HmiView(rows, stack) for stack in stacks]
    for stack in stacks:
        stack.close()


def scans(hmi: HmiView) -> int:
    """How many scans there were: what is waited for takes scans, however long they take."""
    low, high = hmi.words("SCAN_COUNT")
    return high << 16 | low


class Watch:
    """The phases of the machine as one HMI sees them; every image is checked.

    Feeds are off before the agitator starts and the outlet opens after it stops (common
    practice for batch vessels).
    """

    def __init__(self, hmi: HmiView) -> None:
        self._hmi = hmi
        self.found: list[str] = []

    def look(self) -> None:
        bits = self._hmi.bits(*WATCHED)
        feeds = bits["P_101"] or bits["P_102"]
        turning = bits["P_101_RUN"] or bits["P_102_RUN"]
        assert not (bits["A_101"] and (feeds or turning)), bits
        assert not (bits["XV_101"] and (feeds or turning)), bits
        assert not (bits["XV_101"] and (bits["A_101"] or bits["A_101_RUN"])), bits
        assert not (feeds and not bits["ZSC_101"]), bits
        phase = (
            "feed" if feeds else "stir" if bits["A_101"] else "discharge" if bits["XV_101"] else ""
        )
        if phase and (not self.found or self.found[-1] != phase):
            self.found.append(phase)


def watch(hmis: list[HmiView], wanted: int) -> list[list[str]]:
    """What each HMI sees until `wanted` phases have begun."""
    watches = [Watch(hmi) for hmi in hmis]
    latest = scans(hmis[0]) + wanted * MOST_SCANS
    while any(len(one.found) < wanted for one in watches):
        for one in watches:
            one.look()
        assert scans(hmis[0]) < latest, [one.found for one in watches]
    return [one.found for one in watches]


def test_independent_hmis_run_the_machine_through_two_cycles(hmis: list[HmiView]) -> None:
    """Two clients that know only the register map start it, see the same and stop it, in turns."""
    first, second = hmis
    first.set_seconds("STIR_TIME", STIR_S)
    before = first.words("BATCHES")
    first.command("START")
    cycle = ["feed", "stir", "discharge"]
    assert watch(hmis, 7) == [[*cycle, *cycle, "feed"]] * 2
    for hmi in hmis:
        assert hmi.words("BATCHES")[0] == before[0] + 2
        assert 0.2 < hmi.real("LT_101") < 1.3, "between the lower and the upper switch, in metres"
    stop(second)
    second.set_seconds("STIR_TIME", STIR_S)
    second.command("START")
    assert watch(hmis, 1) == [["feed"]] * 2
    stop(first)


def stop(hmi: HmiView) -> None:
    """STOP, and everything is off two seconds of machine time later."""
    hmi.command("STOP")
    latest = scans(hmi) + 40
    while any(hmi.bits("P_101", "P_102", "A_101", "XV_101", "RUNNING").values()):
        assert scans(hmi) < latest, "STOP does not stop"


def test_the_heartbeat_moves_and_the_link_is_healthy(hmis: list[HmiView]) -> None:
    """An HMI can tell a live controller from a frozen one."""
    for hmi in hmis:
        first = hmi.words("HEARTBEAT")
        deadline = time.monotonic() + 60
        while hmi.words("HEARTBEAT") == first:
            assert time.monotonic() < deadline
        assert hmi.bits("FIELD_LINK", "COMMS_ALARM") == {"FIELD_LINK": True, "COMMS_ALARM": False}


def test_ctrl_c_ends_cleanly(running: Program) -> None:
    """Ctrl-C ends the run with exit code 0 and no traceback."""
    assert running.stop() == 0
    assert running.wait_for("stopped")["event"] == "stopped"
    assert all(event["event"] != "not JSON" for event in running.seen)
