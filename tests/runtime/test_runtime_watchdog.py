"""Scans that take too long: overrun policies, the watchdog, stopping through the entrance."""

from __future__ import annotations

import os
import socket
import threading
import time
from pathlib import Path
from random import Random

import pytest
from live_pair import Pair

from softctl.control import ControlState
from softctl.errors import SoftctlError
from softctl.logic import OvertimeFault
from softctl.machine import Overrun
from softctl.runtime.field_client import FieldClient
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder
from softctl.runtime.watchdog import ScanWatchdog

S = 1_000_000_000


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(demo_folder())


class Hand:
    """A clock that somebody turns."""

    now_ns = 5 * S

    def __call__(self) -> int:
        return self.now_ns


def test_the_watchdog_acts_once_on_each_scan_that_hangs() -> None:
    """Not before the limit, and not again on the same scan."""
    hand, acts = Hand(), []
    watchdog = ScanWatchdog(2 * S, lambda: acts.append(hand.now_ns), hand)
    watchdog.look()
    with watchdog:
        hand.now_ns += 2 * S
        watchdog.look()
        assert not acts
        hand.now_ns += 1
        watchdog.look()
        hand.now_ns += 5 * S
        watchdog.look()
    assert len(acts) == 1
    assert watchdog.is_late
    watchdog.look()
    with watchdog:
        hand.now_ns += S
        watchdog.look()
    assert not watchdog.is_late
    with watchdog:
        hand.now_ns += 3 * S
        watchdog.look()
    assert len(acts) == 2


def test_the_watchdog_looks_from_a_thread_of_its_own() -> None:
    """While the guarded thread does nothing but hang."""
    acted = threading.Event()
    watchdog = ScanWatchdog(1_000_000, acted.set)
    watchdog.start()
    with watchdog:
        assert acted.wait(30)
    watchdog.close()


def test_a_fault_ends_what_hangs_and_nothing_else() -> None:
    """Work around the limit, again and again: the fault is raised inside of it or not at all."""
    watchdog = ScanWatchdog(2_000_000, lambda: None, fault=OvertimeFault)
    watchdog.start()
    draw, ended = Random(5), 0
    for _ in range(300):
        until_ns = time.monotonic_ns() + draw.choice((0, 1_800_000, 2_400_000, 10**11))
        try:
            with watchdog:
                while time.monotonic_ns() < until_ns:
                    pass
        except OvertimeFault:
            ended += 1
        outside = 0
        for number in range(2_000):
            outside += number
        assert outside == 1_999_000
    watchdog.close()
    assert 50 <= ended < 300, "what would hang for 100 s always ends, what is quick never"


@pytest.mark.network
async def test_a_program_that_hangs_is_ended_with_its_line(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """A long loop within its budget: the watchdog ends it, outputs go to fail-safe."""
    # Far longer than the watchdog's time on any machine: seconds, if nobody ended it.
    work = "x := SQRT(x + 1.0); x := SIN(x) * COS(x) + 3.0; x := LN(x) + EXP(x / 10.0);\n"
    spoil = f"""PROGRAM Spoil VAR i : DINT; x : LREAL := 2.0; END_VAR
FOR i := 1 TO 900_000 DO
{20 * work}END_FOR;
END_PROGRAM"""
    async with Pair(folder, tmp_path, watchdog_ns=300_000_000) as pair:
        await pair.feed()
        sources = [[s.name, s.text] for s in folder.programs]
        await pair.answer({"do": "load", "sources": [*sources, ["spoil.st", spoil]]})
        await pair.until(pair.stopped)
        reason = str(pair.stopped()[0]["reason"])
        assert "the watchdog gives a scan (spoil.st:" in reason
        assert pair.controller.instance.read("Spoil.i") < 900_000
        assert len(pair.stopped()) == 1
        await pair.until(pair.is_safe)
        await pair.answer({"do": "load", "sources": sources})
        await pair.feed()


def test_nothing_is_abandoned_twice() -> None:
    """Without a connection there is nothing to take away."""
    FieldClient("127.0.0.1", 1, 1, 1.0).abandon()


@pytest.mark.network
async def test_a_scan_that_hangs_loses_the_field_and_faults(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """The connection is gone while the scan still hangs; after it the outputs are fail-safe."""
    async with Pair(folder, tmp_path, watchdog_ns=300_000_000) as pair:
        pair.controller.hmi.give(["START"])
        await pair.until(lambda: pair.controller.values()["P_101"])
        taken = pair.service._link._client._socket
        seen = []

        def hang() -> None:
            deadline = time.monotonic() + 20
            try:
                while time.monotonic() < deadline:
                    pass
            except OvertimeFault:
                seen.append(_is_shut(taken.fileno()))
                raise

        pair.hang_once(hang)
        await pair.until(pair.stopped)
        assert seen == [True], "the thread took it away and ended the scan"
        assert "expected a scan to end within 0.3 s" in str(pair.stopped()[0]["reason"])
        assert pair.controller.state is ControlState.FAULTED
        assert not pair.controller.values()["P_101"]
        scans = pair.controller.statistics.scans
        await pair.until(lambda: pair.controller.statistics.scans > scans + 12)
        await pair.until(lambda: pair.controller.link_healthy and not pair.device.is_fail_safe)
        await pair.until(lambda: not pair.device.plant.read("P_101.run"))
        assert len(pair.stopped()) == 1


def _is_shut(descriptor: int) -> bool:
    with socket.socket(fileno=os.dup(descriptor)) as copy:
        try:
            return copy.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT) == b""
        except BlockingIOError:
            return False


@pytest.mark.network
async def test_an_overrun_stops_the_programs_where_that_is_asked_for(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """With `overrun: stop`, one scan beyond its period is a fault that names its time."""
    async with Pair(folder, tmp_path, scan_ns=S // 4, overrun=Overrun.STOP) as pair:
        pair.hang_once(lambda: time.sleep(0.3))
        await pair.until(pair.stopped)
        assert "expected scans to end within 250 ms" in str(pair.stopped()[0]["reason"])
        assert pair.controller.state is ControlState.FAULTED
        assert pair.controller.statistics.overruns >= 1


@pytest.mark.network
async def test_programs_are_stopped_and_restarted_through_the_entrance(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """With who did it; a restart of what runs is refused, RETAIN values are saved on."""
    async with Pair(folder, tmp_path) as pair:
        with pytest.raises(SoftctlError, match="got programs that run"):
            await pair.answer({"do": "restart", "by": "me", "cold": False})
        assert await pair.answer({"do": "stop", "by": "me"}) == {"state": "stopped"}
        await pair.until(lambda: pair.controller.values()["CONTROL_STATE"] == 0)
        answer = await pair.answer({"do": "restart", "by": "me", "cold": False})
        assert answer["lost"] == ()
        await pair.until(lambda: pair.controller.values()["CONTROL_STATE"] == 1)
        told = dict(pair.events)
        assert told["programs stopped"] == {"by": "me"}
        assert (told["programs restarted"]["how"], told["programs restarted"]["by"]) == (
            "warm",
            "me",
        )
        await pair.answer({"do": "stop", "by": "me"})
        assert await pair.answer({"do": "restart", "by": "me", "cold": True}) == {
            "restored": 0,
            "lost": (),
        }
