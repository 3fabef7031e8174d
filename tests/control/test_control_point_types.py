"""Every point type on its way from an HMI through a program and back."""

from __future__ import annotations

import struct

import pytest

from softctl.control import Controller, check_bindings, program_globals
from softctl.logic import Source, compile_application
from softctl.machine import Machine, Value, parse_machine
from softctl.modbus.device import Device
from softctl.values.registers import WordOrder, encode
from softctl.values.types import ELEMENTARY_TYPES, Kind

TYPES = {
    "BYTE": 0xA5,
    "WORD": 0xA55A,
    "DWORD": 0x12345678,
    "LWORD": 0x123456789ABCDEF0,
    "SINT": -2,
    "INT": -30_000,
    "DINT": 123_456_789,
    "LINT": -(2**62),
    "USINT": 200,
    "UINT": 60_000,
    "UDINT": 4_000_000_000,
    "ULINT": 2**64 - 1,
    "REAL": 1.5,
    "LREAL": 123.456,
    "TIME": 90_000_000_000,
    "LTIME": 1_234_567_891,
    "DATE": 20_782 * 86_400_000_000_000,
    "TOD": 23_400_500_000_000,
    "DT": 1_795_588_200_000_000_000,
    "STRING[9]": "Batch 7",
    "WSTRING[5]": "5 Ω",
    "LDATE": 20_783 * 86_400_000_000_000,
    "LTOD": 23_400_500_000_001,
    "LDT": 1_795_588_200_000_000_001,
    "CHAR": "k",
    "WCHAR": "Ω",
    "BOOL": True,
}
"""One value of each elementary type."""


def test_no_elementary_type_is_left_out() -> None:
    """What follows is said of every type of IEC 61131-3 (third edition, table 10)."""
    assert {name.partition("[")[0] for name in TYPES} == set(ELEMENTARY_TYPES)


def machine_of(order: str) -> Machine:
    """A machine with a set point and a state of each type."""
    lines = ["name: types", "programs: [types.st]", "field: {port: 0}"]
    lines += [f"hmi: {{port: 0, word_order: {order}}}", "points:"]
    for index, name in enumerate(TYPES):
        lines.append(f"  S_{index}: {{role: setpoint, type: '{name}'}}")
        lines.append(f"  P_{index}: {{role: state, type: '{name}'}}")
    return parse_machine("\n".join(lines) + "\n", "types.yaml")


def controller_of(machine: Machine, body: str) -> Controller:
    """A controller with one program of this body and a healthy link."""
    source = Source("types.st", f"PROGRAM Types\n{body}\nEND_PROGRAM\n")
    application = compile_application([source], program_globals(machine))
    assert not check_bindings(machine, application)
    controller = Controller(machine, application)
    controller.link_healthy = True
    return controller


def set_by_hmi(controller: Controller, name: str, value: Value) -> bytes:
    """Write a set point as an HMI does; the reply PDU."""
    machine = controller.machine
    point = machine.points[name]
    assert point.hmi is not None
    device = Device(controller.hmi.bank, write_check=controller.hmi.check_write)
    if point.hmi.table.is_bits:
        return device.answer(struct.pack(">BHH", 5, point.hmi.address, 0xFF00 * bool(value)))
    raw = encode(value, point.type, machine.hmi_order(point))
    return device.answer(
        struct.pack(">BHHB", 0x10, point.hmi.address, point.hmi.count, len(raw)) + raw
    )


@pytest.mark.parametrize("order", [order.value for order in WordOrder])
def test_a_value_of_each_type_goes_through_the_program(order: str) -> None:
    """What an HMI sets, the program copies, and the map shows, in each word order."""
    machine = machine_of(order)
    body = "\n".join(f"P_{index} := S_{index};" for index in range(len(TYPES)))
    controller = controller_of(machine, body)
    for index, value in enumerate(TYPES.values()):
        reply = set_by_hmi(controller, f"S_{index}", value)
        assert reply[0] in (5, 0x10), (list(TYPES)[index], reply.hex())
    controller.scan(0)
    shown = controller.values()
    assert {name: shown[f"P_{i}"] for i, name in enumerate(TYPES)} == TYPES
    for index in range(len(TYPES)):
        setpoint, state = machine.points[f"S_{index}"], machine.points[f"P_{index}"]
        assert setpoint.hmi is not None
        assert state.hmi is not None
        if setpoint.type.kind is not Kind.BOOL:
            memory = controller.hmi.bank.area
            written = memory(setpoint.hmi.table).read(setpoint.hmi.address, setpoint.hmi.count)
            assert memory(state.hmi.table).read(state.hmi.address, state.hmi.count) == written


def test_a_program_cannot_stop_the_map_with_its_values() -> None:
    """A TIME beyond 24.8 days, a negative date and a text too long are shown as far as it goes."""
    text = """
name: types
programs: [types.st]
field: {port: 0}
hmi: {port: 0}
points:
  LONG: {role: state, type: TIME}
  EARLY: {role: state, type: DATE}
  NARROW: {role: state, type: INT, source: Types.wide}
  SHORT: {role: state, type: 'STRING[3]', source: Types.text}
"""
    machine = parse_machine(text, "types.yaml")
    body = """
VAR wide: DINT; text: STRING[20]; END_VAR
LONG := T#40d; EARLY := DATE#1969-01-01; wide := 70000; text := 'overlong';
"""
    controller = controller_of(machine, body)
    controller.scan(0)
    memory = controller.hmi.bank.area
    shown = {}
    for name in ("LONG", "EARLY", "NARROW", "SHORT"):
        place = machine.points[name].hmi
        assert place is not None
        shown[name] = bytes(memory(place.table).read(place.address, place.count))
    assert shown == {
        "LONG": struct.pack(">i", 2**31 - 1),
        "EARLY": bytes(8),
        "NARROW": struct.pack(">h", 32_767),
        "SHORT": b"ove\0",
    }


def test_counts_become_the_value_that_a_program_compares_with() -> None:
    """A set point that travels as tenths is a REAL in the program, exact at both ends."""
    text = """
name: types
programs: [types.st]
field: {port: 0}
hmi: {port: 0}
points:
  TOP: {role: setpoint, type: REAL, range: [0.1, 0.7], scale: {type: INT, raw: [0, 600]}}
  AT_END: {role: state, type: BOOL}
"""
    machine = parse_machine(text, "types.yaml")
    controller = controller_of(machine, "AT_END := TOP = 0.7;")
    place = machine.points["TOP"].hmi
    assert place is not None
    device = Device(controller.hmi.bank, write_check=controller.hmi.check_write)
    for counts, at_end in ((599, False), (600, True)):
        device.answer(struct.pack(">BHH", 6, place.address, counts))
        controller.scan(0)
        assert controller.values()["AT_END"] is at_end
