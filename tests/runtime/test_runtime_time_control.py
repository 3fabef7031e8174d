"""Pause, single scans and speeds of a live machine: only machine time changes."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest
from live_pair import Pair

from softctl.errors import SoftctlError
from softctl.modbus.faults import Deny, Reset, Rule
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder
from softctl.runtime.hmi_client import HmiClient
from softctl.runtime.time_control import TimeControl
from softctl.values.tables import Table

pytestmark = pytest.mark.network


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(demo_folder())


def control(pair: Pair) -> tuple[TimeControl, list[tuple[str, dict[str, Any]]]]:
    told: list[tuple[str, dict[str, Any]]] = []
    sink = lambda event, **fields: told.append((event, fields))  # noqa: E731
    return TimeControl(pair.clock, pair.service, sink), told


async def at_rest(pair: Pair) -> None:
    """Wait for the scan that was under way when time was stopped.

    What the controller asks the field for from then on are exchanges beside scans, and it is
    in one of them when no scan has come for so many requests.
    """
    seen = -1
    while seen != (seen := pair.controller.statistics.scans):
        latest = pair.field.server.requests + 12
        await pair.until(lambda most=latest: pair.field.server.requests >= most)


async def test_a_pause_stops_scans_and_plant_but_not_the_wire(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """For three fail-safe times nothing moves, yet the link is healthy and outputs are held;
    then each single scan is one scan and one period of the plant."""
    ms = 1_000_000
    async with Pair(folder, tmp_path, fail_safe_after_ns=200 * ms) as pair:
        time, told = control(pair)
        await pair.feed()
        outputs = bytes(pair.device.banks[1].bits(Table.COILS))
        time.pause("me")
        await at_rest(pair)
        scans, plant_ns = pair.controller.statistics.scans, pair.device.plant.now_ns
        now_ns = pair.clock.now_ns()
        requests = pair.field.server.requests
        await asyncio.sleep(0.6)
        assert pair.controller.statistics.scans == scans
        assert (pair.device.plant.now_ns, pair.clock.now_ns()) == (plant_ns, now_ns)
        assert pair.field.server.requests > requests + 4
        assert bytes(pair.device.banks[1].bits(Table.COILS)) == outputs
        assert any(outputs)
        period_ns = pair.machine.scan_ns
        for count in (1, 2, 3):
            await time.scan("me")
            assert pair.controller.statistics.scans == scans + count
            assert pair.device.plant.now_ns == plant_ns + count * period_ns
        assert "field link lost" not in [event for event, _ in pair.events]
        assert pair.controller.statistics.jitter_ns == 0
        assert [event for event, _ in told] == ["time stands", *["one scan"] * 3]
        await time.close()


async def test_a_field_lost_in_a_pause_finds_fail_safe_values_when_it_is_back(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """The cards let go by their own watchdog, and what is written then is fail-safe, not what
    the last scan had left."""
    async with Pair(folder, tmp_path, fail_safe_after_ns=200_000_000) as pair:
        time, _ = control(pair)
        await pair.feed()
        time.pause("me")
        pair.field.faults.replace((Rule(Reset()), Rule(Deny())))
        await pair.until(lambda: "field link lost" in [event for event, _ in pair.events])
        pair.field.faults.replace(())
        before = [event for event, _ in pair.events].count("field link healthy")
        await pair.until(
            lambda: [event for event, _ in pair.events].count("field link healthy") > before
        )
        await asyncio.sleep(0.1)
        safe = [p.safe_value for p in pair.machine.points.values() if p.name in ("P_101", "P_102")]
        assert [bool(bit) for bit in pair.device.banks[1].bits(Table.COILS)[:2]] == safe
        await time.close()


async def test_a_live_client_sees_the_runs_own_time_only(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """One that connects ends a pause, a speed and a race; while it is there all is refused."""
    async with Pair(folder, tmp_path) as pair:
        time, told = control(pair)
        hmi = HmiClient(pair.machine, *pair.hmi_at)
        for begin in (time.pause, time.race, lambda by: time.set_speed(50.0, by)):
            begin("me")
            await hmi.connect()
            await pair.until(lambda: pair.service.server.connections)
            await pair.until(lambda: not time.is_paused and time.speed == 1.0)
            assert told[-1][0] == "time runs"
            for refused in (time.pause, time.race, lambda by: time.set_speed(2.0, by)):
                with pytest.raises(SoftctlError, match=r"expected no HMI client .*, got 1"):
                    refused("me")
            time.set_speed(1.0, "me")
            await hmi.close()
            await pair.until(lambda: not pair.service.server.connections)
        with pytest.raises(SoftctlError, match="expected time that stands"):
            await time.scan("me")
        with pytest.raises(SoftctlError, match=r"expected a speed from 0\.01 to 100, got 101"):
            time.set_speed(101.0, "me")
        await time.close()


async def test_a_race_makes_every_scan_and_every_plant_step(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """As fast as possible loses no time and skips no release; then time runs as before."""
    async with Pair(folder, tmp_path) as pair:
        time, _ = control(pair)
        await asyncio.sleep(0.1)
        time.pause("me")
        await at_rest(pair)
        figures, plant = pair.controller.statistics, pair.device.plant
        scans, overruns, plant_ns = figures.scans, figures.overruns, plant.now_ns
        time.race("me")
        assert time.speed == 0.0
        await pair.until(lambda: figures.scans >= scans + 100)
        time.pause("me")
        period_ns = pair.machine.scan_ns
        await pair.until(lambda: plant.now_ns - plant_ns == (figures.scans - scans) * period_ns)
        assert figures.overruns == overruns
        assert pair.field.lost_ns == 0
        time.go("me")
        await pair.scans(2)
        await time.close()


async def test_people_are_heard_while_time_stands(folder: MachineFolder, tmp_path: Path) -> None:
    """Stopped programs let the outputs go, and another program is taken over, with no scan."""
    async with Pair(folder, tmp_path) as pair:
        time, _ = control(pair)
        await pair.feed()
        time.pause("me")
        await at_rest(pair)
        scans = pair.controller.statistics.scans
        taken = await asyncio.wait_for(pair.service.change(folder.application), 60)
        assert taken.kept
        assert any(pair.device.banks[1].bits(Table.COILS)[:2])
        await pair.answer({"do": "stop", "by": "me"})
        await pair.until(lambda: not any(pair.device.banks[1].bits(Table.COILS)[:2]))
        assert pair.controller.statistics.scans == scans
        await time.close()
