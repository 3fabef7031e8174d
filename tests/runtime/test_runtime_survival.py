"""What a controller has to live through: wires, fields, clients and clocks that misbehave."""

from __future__ import annotations

import asyncio
import contextlib
import time
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest
from live_pair import Pair

from softctl.control import ControlState
from softctl.field import FieldDevice
from softctl.journal import JournalWriter
from softctl.journal.reader import JournalReader, Wanted
from softctl.machine import parse_machine
from softctl.modbus.faults import (
    Cut,
    Delay,
    Deny,
    Effect,
    Refuse,
    Reset,
    Rule,
    Silence,
    Split,
    Truncate,
    WrongLength,
    WrongTransaction,
)
from softctl.runtime.field_service import FieldService
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder

pytestmark = pytest.mark.network

MS = 1_000_000
QUICK = {"scan_ns": 10 * MS, "fail_safe_after_ns": 200 * MS}
STEADY = {"scan_ns": 10 * MS, "fail_safe_after_ns": 2_000 * MS}
"""A link that a busy computer does not lose."""


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(demo_folder())


@pytest.mark.parametrize(
    "effects",
    [
        pytest.param([Cut()], id="cut"),
        pytest.param([Cut(keep=9)], id="cut in the middle"),
        pytest.param([Reset(), Deny()], id="nobody there"),
        pytest.param([Silence()], id="silent"),
        pytest.param([Delay(300 * MS)], id="late"),
        pytest.param([Delay(60 * MS, 60 * MS)], id="slow in every answer"),
        pytest.param([Split(1, 40 * MS)], id="byte by byte"),
        pytest.param([Refuse(4)], id="refuses"),
        pytest.param([Truncate(7)], id="half an answer"),
        pytest.param([WrongLength(3)], id="wrong length"),
        pytest.param([WrongTransaction(1)], id="wrong transaction"),
    ],
)
async def test_a_bad_field_link_is_survived(
    folder: MachineFolder, tmp_path: Path, effects: list[Effect]
) -> None:
    """Outputs go to fail-safe, programs and scans go on, and a good link is found again."""
    async with Pair(folder, tmp_path, **QUICK) as pair:
        await pair.feed()
        pair.field.faults.replace([Rule(effect) for effect in effects])
        await pair.until(lambda: pair.shown("COMMS_ALARM") and pair.is_safe())
        await pair.scans(20)
        assert pair.is_safe()
        assert pair.controller.state is ControlState.RUNNING
        pair.field.faults.replace([])
        await pair.until(lambda: pair.controller.link_healthy and not pair.device.is_fail_safe)
        await pair.scans(5)
        assert pair.is_safe(), "nothing starts by itself"
        await pair.feed()


async def test_garbage_in_place_of_a_field_is_survived(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """Random bytes for every request; the true field is found when it is there again."""
    draw = Random(7)

    async def babble(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError):
            while await reader.read(300):
                writer.write(draw.randbytes(draw.randrange(1, 300)))
        writer.close()

    async with Pair(folder, tmp_path, **QUICK) as pair:
        await pair.feed()
        await pair.field.close()
        server = await asyncio.start_server(babble, *pair.field_at)
        await pair.until(lambda: pair.shown("COMMS_ALARM"))
        await pair.scans(60)
        assert not pair.controller.link_healthy
        assert pair.controller.state is ControlState.RUNNING
        assert any("field" in event for event, _ in pair.events)
        server.close()
        pair.field = FieldService(pair.device, pair.clock)
        await pair.field.start(*pair.field_at)
        await pair.feed()


async def test_a_field_that_restarts_with_other_values_is_believed(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """The new field's inputs are seen, its outputs are written anew, nothing starts by itself."""
    async with Pair(folder, tmp_path, **QUICK) as pair:
        await pair.feed()
        assert pair.shown("LSH_101") is False
        await pair.field.close()
        await pair.until(lambda: pair.shown("COMMS_ALARM"))
        text = (demo_folder() / "machine.yaml").read_text(encoding="utf-8")
        other = parse_machine(text.replace("initial_level: 0.07 m", "initial_level: 1.3 m"), "m")
        other = replace(other, **QUICK)
        pair.device = FieldDevice(other, replace(folder, machine=other).build_plant())
        pair.field = FieldService(pair.device, pair.clock)
        await pair.field.start(*pair.field_at)
        await pair.until(lambda: pair.controller.link_healthy and not pair.device.is_fail_safe)
        await pair.until(lambda: pair.shown("LSH_101"))
        assert float(pair.shown("LT_101")) > 1.1
        assert not pair.shown("P_101")
        assert pair.controller.fault is None


async def test_a_flood_of_clients_does_not_stop_control(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """Pipelines, clients that never read, garbage and connections that come and go."""
    read = bytes.fromhex("000100000006010400000010")
    async with Pair(folder, tmp_path, **STEADY) as pair:
        is_over = asyncio.Event()

        async def flood(number: int) -> None:
            draw = Random(number)
            while not is_over.is_set():
                with contextlib.suppress(ConnectionError):
                    reader, writer = await asyncio.open_connection(*pair.hmi_at)
                    for _ in range(4):
                        burst = draw.randbytes(200) if number % 5 == 4 else read * 200
                        writer.write(burst)
                        if number % 5 < 3:
                            await reader.read(60_000)
                        await asyncio.sleep(0.005)
                    writer.close()

        floods = [asyncio.create_task(flood(number)) for number in range(25)]
        await pair.until(lambda: pair.controller.clients >= 10)
        hmi = pair.client()
        await hmi.connect()
        await pair.scans(30)
        await hmi.put("START", True)
        await pair.until(lambda: pair.shown("P_101"))
        await hmi.poll()
        assert hmi.counts()[0] > 30
        is_over.set()
        await asyncio.wait_for(asyncio.gather(*floods), 60)
        await hmi.close()
        await pair.until(lambda: pair.controller.clients <= 1)
        assert pair.controller.state is ControlState.RUNNING
        await pair.feed()


async def test_a_clock_set_back_moves_nothing_but_the_time_in_the_journal(
    folder: MachineFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Scans keep their grid, timers go on; the journal keeps its order and machine time."""
    true_ns, back_ns = time.time_ns, 86_400_000 * MS
    writer = JournalWriter(tmp_path / "journal.sqlite")
    async with Pair(folder, tmp_path, writer, **STEADY) as pair:
        seen: list[int] = []
        honest = pair.controller.scan

        def scan(now_ns: int) -> None:
            seen.append(now_ns)
            honest(now_ns)

        pair.controller.scan = scan  # type: ignore[method-assign]
        await pair.feed()
        pair.service.stop("before")
        monkeypatch.setattr(time, "time_ns", lambda: true_ns() - back_ns)
        monkeypatch.setattr(time, "time", lambda: (true_ns() - back_ns) / 1e9)
        await pair.scans(10)
        pair.service.restart("after")
        await pair.feed()
        assert all(later > earlier for earlier, later in pairwise(seen))
        assert all(now_ns % (10 * MS) == 0 for now_ns in seen)
        assert pair.controller.link_healthy
    monkeypatch.undo()
    reader = JournalReader(tmp_path / "journal.sqlite")
    entries = list(reader.entries(Wanted()))
    reader.close()
    names = [entry.what for entry in entries]
    assert names.index("programs stopped") < names.index("programs restarted")
    machine_times = [entry.machine_ns for entry in entries]
    assert machine_times == sorted(machine_times)
    walls = [entry.wall_ns for entry in entries]
    assert walls[names.index("programs restarted")] < walls[names.index("programs stopped")]


async def test_a_program_that_fails_is_mended_while_the_controller_runs(
    folder: MachineFolder, tmp_path: Path
) -> None:
    """The fault is told with its place; the map is served on; a restart runs from the start."""
    async with Pair(folder, tmp_path, **STEADY) as pair:
        await pair.feed()
        source = folder.programs[0]
        bad = f"{source.text}\nPROGRAM Spoil VAR z : DINT; END_VAR z := 1 / z; END_PROGRAM\n"
        await pair.answer({"do": "load", "sources": [[source.name, bad]]})
        await pair.until(pair.stopped)
        assert f"{source.name}:{bad.count(chr(10))}" in str(pair.stopped()[0]["reason"])
        await pair.until(lambda: not pair.device.plant.read("P_101.run"))
        hmi = pair.client()
        await hmi.connect()
        await hmi.put("START", True)
        await pair.scans(5)
        await hmi.poll()
        await hmi.close()
        assert pair.shown("CONTROL_STATE") == ControlState.FAULTED
        assert not pair.shown("P_101")
        await pair.answer({"do": "load", "sources": [[source.name, source.text]]})
        await pair.scans(3)
        assert pair.shown("CONTROL_STATE") == ControlState.RUNNING
