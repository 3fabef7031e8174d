"""Cards of several racks, each with a unit id of its own, behind one field server."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, replace

import pytest
from pyModbusTCP.client import ModbusClient

from softctl.control import Controller, program_globals
from softctl.errors import ProblemsError
from softctl.field import FieldDevice
from softctl.image import Side
from softctl.image.permissions import role_table
from softctl.logic import Source, compile_application
from softctl.machine import KeyFiles, Machine, Rights, Scalar, Security, parse_machine
from softctl.machine.register_map import register_map
from softctl.modbus.clients import Client
from softctl.modbus.faults import Refuse, Rule, Scope
from softctl.plant import build_plant
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.field_service import FieldService
from softctl.runtime.folder import demo_folder, load_folder
from softctl.values.tables import Table
from softctl.wire import parse_wire_faults

TEXT = """
name: racks
programs: [copy.st]
control: {scan: 10 ms, fail_safe_after: 400 ms}
field: {port: 0, unit: 1}
hmi: {port: 0}
cards:
  DI_1: {kind: digital input, channels: 8}
  DI_2: {kind: digital input, channels: 8, unit: 2}
  DO_2: {kind: digital output, channels: 16, unit: 2}
  DO_7: {kind: digital output, channels: 8, unit: 7}
  AO_7: {kind: analog output, channels: 2, unit: 7, address: 10}
  DO_7B: {kind: digital output, channels: 8, unit: 7}
points:
  NEAR: {card: DI_1}
  FAR: {card: DI_2}
  LAMP_2: {card: DO_2, fail_safe: false}
  LAMP_7: {card: DO_7, fail_safe: true}
  HORN_7: {card: DO_7B, fail_safe: false}
  SPEED: {card: AO_7, unit: rpm, range: [0, 100], fail_safe: 25}
"""
PROGRAM = """
PROGRAM Copy
LAMP_2 := NEAR;
LAMP_7 := FAR;
HORN_7 := NEAR AND FAR;
SPEED := SEL(FAR, 0.0, 50.0);
END_PROGRAM
"""


@pytest.fixture(scope="module")
def machine() -> Machine:
    return parse_machine(TEXT, "racks.yaml")


def test_each_unit_has_tables_of_its_own(machine: Machine) -> None:
    """Addresses begin anew in each unit, so the same ones come again."""
    first = {name: (card.unit, card.table, card.first) for name, card in machine.cards.items()}
    assert first == {
        "DI_1": (1, Table.DISCRETE_INPUTS, 0),
        "DI_2": (2, Table.DISCRETE_INPUTS, 0),
        "DO_2": (2, Table.COILS, 0),
        "DO_7": (7, Table.COILS, 0),
        "DO_7B": (7, Table.COILS, 8),
        "AO_7": (7, Table.HOLDING_REGISTERS, 10),
    }
    assert machine.field_units == (1, 2, 7)


def test_the_register_map_tells_the_unit(machine: Machine) -> None:
    """By unit, then by address: what a panel's maker has to type in."""
    rows = [row for row in register_map(machine) if row.server == "field"]
    assert [(row.unit_id, row.address, row.name) for row in rows] == [
        (1, 0, "NEAR"),
        (2, 0, "LAMP_2"),
        (2, 0, "FAR"),
        (7, 0, "LAMP_7"),
        (7, 8, "HORN_7"),
        (7, 10, "SPEED"),
    ]


def test_cards_of_one_unit_may_not_overlap() -> None:
    """Two pins at one place are an error in one unit and none in two."""
    one = TEXT + "  X: {role: command}\n"
    pinned = one.replace("DO_7: {kind: digital output, channels: 8, unit: 7}", "@").replace(
        "@", "DO_7: {kind: digital output, channels: 8, unit: 7, address: 8}"
    )
    at_eight = "DO_7B: {kind: digital output, channels: 8, unit: 7, address: 8}"
    pinned = pinned.replace("DO_7B: {kind: digital output, channels: 8, unit: 7}", at_eight)
    with pytest.raises(ProblemsError, match="of the field's unit 7's coils that are free"):
        parse_machine(pinned, "racks.yaml")
    assert parse_machine(pinned.replace(at_eight, at_eight.replace("7, a", "8, a")), "r").cards


def test_a_unit_is_a_byte() -> None:
    """Anything else is refused at its place."""
    with pytest.raises(ProblemsError, match=r"from 0 to 255, got 256 \(racks.yaml:9:50"):
        parse_machine(TEXT.replace("channels: 8, unit: 2", "channels: 8, unit: 256"), "racks.yaml")


def test_a_wire_fault_of_a_point_is_one_of_its_unit(machine: Machine) -> None:
    """Another unit has other points at the same address."""
    text = "field:\n  a: {effect: silence, point: LAMP_7}\n"
    (rule,) = parse_wire_faults(text, "wire.yaml", machine).field
    assert rule.scope == Scope(units=frozenset({7}), table=Table.COILS, first=0, last=0)


def test_a_role_is_told_apart_by_unit(machine: Machine) -> None:
    """Who may write one rack's coil may not write the coil of that address in another."""
    place = machine.points["LAMP_2"].place
    file = Scalar("x", place)
    rights = Rights(read=frozenset({"FAR"}), write=frozenset({"LAMP_2"}))
    security = Security(KeyFiles(file, file), file, {"fitter": rights}, Rights(), place)
    secured = replace(machine, field=replace(machine.field, security=security))
    client = Client("x", role="fitter")
    found = {}
    for unit in machine.field_units:
        table = role_table(secured, Side.FIELD, unit)
        assert table is not None
        found[unit] = (
            table.permits(client, Table.DISCRETE_INPUTS, 0, 1, False),
            table.permits(client, Table.COILS, 0, 1, True),
        )
    # Unit 1 has no output and unit 7 no input, so those addresses hold nothing to refuse.
    assert found == {1: (False, True), 2: (True, True), 7: (True, False)}


@dataclass
class Bench:
    """The field and the controller of the machine, meeting over loopback TCP."""

    field: FieldService
    control: ControlService
    at_field: tuple[str, int]

    def bits(self, unit: int, table: Table) -> bytearray:
        return self.field.device.banks[unit].bits(table)


@pytest.fixture
async def bench(machine: Machine) -> AsyncIterator[Bench]:
    clock = MachineClock()
    application = compile_application([Source("copy.st", PROGRAM)], program_globals(machine))
    field = FieldService(FieldDevice(machine, build_plant(machine)), clock)
    control = ControlService(Controller(machine, application), clock)
    at_field = await field.start("127.0.0.1", 0)
    await control.start("127.0.0.1", 0, at_field)
    yield Bench(field, control, at_field)
    await control.close()
    await field.close()


async def _eventually(is_so: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 10
    while not is_so():
        assert time.monotonic() < deadline
        await asyncio.sleep(0.005)


@pytest.mark.network
async def test_the_controller_polls_every_unit(bench: Bench) -> None:
    """Inputs of two units reach the program, its outputs the right unit and no other."""
    await _eventually(lambda: bench.control.controller.link_healthy)
    await _eventually(lambda: bench.bits(7, Table.COILS)[0] == 0)
    bench.bits(1, Table.DISCRETE_INPUTS)[0] = 1
    await _eventually(lambda: bench.bits(2, Table.COILS)[0] == 1)
    assert not any(bench.bits(7, Table.COILS))
    bench.bits(1, Table.DISCRETE_INPUTS)[0] = 0
    bench.bits(2, Table.DISCRETE_INPUTS)[0] = 1
    await _eventually(lambda: bench.bits(7, Table.COILS)[0] == 1)
    await _eventually(lambda: bench.bits(2, Table.COILS)[0] == 0)
    assert bench.bits(7, Table.COILS)[8] == 0
    registers = bench.field.device.banks[7].registers(Table.HOLDING_REGISTERS)
    assert int.from_bytes(registers[20:22], "big") == 12_000
    bench.bits(1, Table.DISCRETE_INPUTS)[0] = 1
    await _eventually(lambda: bench.bits(7, Table.COILS)[8] == 1)


@pytest.mark.network
async def test_one_silent_unit_makes_the_link_unhealthy(bench: Bench) -> None:
    """A rack that does not answer is no healthy field, and outputs everywhere are fail-safe."""
    await _eventually(lambda: bench.control.controller.link_healthy)
    bench.bits(2, Table.DISCRETE_INPUTS)[0] = 1
    await _eventually(lambda: bench.bits(7, Table.COILS)[0] == 1)
    bench.bits(2, Table.DISCRETE_INPUTS)[0] = 0
    await _eventually(lambda: bench.bits(7, Table.COILS)[0] == 0)
    bench.field.faults.add(Rule(Refuse(0x0B), Scope(units=frozenset({7}))))
    await _eventually(lambda: not bench.control.controller.link_healthy)
    await _eventually(lambda: bench.field.device.is_fail_safe)
    assert bench.bits(7, Table.COILS)[0] == 1, "its fail-safe value"


@pytest.mark.network
async def test_every_unit_is_served_to_anybody(bench: Bench) -> None:
    """A client of other make sees one bank per unit, and 0B where there is none."""
    await _eventually(lambda: bench.control.controller.link_healthy)
    bench.bits(2, Table.DISCRETE_INPUTS)[0] = 1

    def look() -> None:
        client = ModbusClient(*bench.at_field, timeout=5)
        found = {}
        for unit in (0, 1, 2, 7, 255):
            client.unit_id = unit
            found[unit] = client.read_discrete_inputs(0, 1), client.last_except
        assert found[1] == found[0] == found[255] == ([False], 0)
        assert found[2] == ([True], 0)
        assert found[7] == (None, 2), "it has outputs only"
        client.unit_id = 9
        assert client.read_coils(0, 1) is None
        assert client.last_except == 0x0B
        client.close()

    await asyncio.to_thread(look)


@pytest.mark.network
async def test_several_machines_run_in_one_process(bench: Bench) -> None:
    """Four servers side by side, each with its own map; a fault at one is none at the others."""
    folder = load_folder(demo_folder())
    clock = MachineClock()
    field = FieldService(FieldDevice(folder.machine, folder.build_plant()), clock)
    control = ControlService(Controller(folder.machine, folder.application), clock)
    at_field = await field.start("127.0.0.1", 0)
    at_hmi = await control.start("127.0.0.1", 0, at_field)
    both = (bench.control.controller, control.controller)
    await _eventually(lambda: all(one.link_healthy for one in both))
    bench.field.faults.add(Rule(Refuse(6), Scope()))
    await _eventually(lambda: not bench.control.controller.link_healthy)
    await _eventually(lambda: control.controller.link_healthy)

    def look() -> None:
        ours, theirs = ModbusClient(*at_field, timeout=5), ModbusClient(*bench.at_field, timeout=5)
        assert len(ours.read_discrete_inputs(0, 16) or ()) == 16
        assert theirs.read_discrete_inputs(0, 8) is None
        hmi = ModbusClient(*at_hmi, timeout=5)
        assert hmi.read_input_registers(0, 4) is not None
        for client in (ours, theirs, hmi):
            client.close()

    await asyncio.to_thread(look)
    await control.close()
    await field.close()
