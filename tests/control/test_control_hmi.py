"""What an HMI may write, and what it sees: the map, its checks and its momentary commands."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from softctl.control.hmi import HmiMap
from softctl.errors import SoftctlError
from softctl.machine import Address, Machine, Value, parse_machine
from softctl.modbus.codes import ExceptionCode
from softctl.modbus.device import Device
from softctl.values.tables import Table

MACHINE = """
name: desk
programs: [none.st]
field: {port: 0}
hmi: {port: 0, word_order: CDAB}
cards:
  DI: {kind: digital input, channels: 8}
  AI: {kind: analog input, channels: 2}
points:
  LSH: {card: DI, true_when: open}
  LT_1: {card: AI, unit: m, range: [0, 2]}
  MM: {card: AI, unit: m, range: [0, 2], scale: {type: INT, raw: [0, 2000]}}
  START: {role: command}
  AUTO: {role: command, hold: true}
  RESET: {role: command, in_register: ORDERS, bit: 0}
  LOCAL: {role: command, in_register: ORDERS, bit: 9, hold: true}
  BYPASS: {role: setpoint, type: BOOL, in_register: ORDERS, bit: 15, initial: true}
  LEVEL: {role: setpoint, type: REAL, unit: m, range: [0.1, 1.3]}
  STIR: {role: setpoint, type: TIME, initial: 75 s, range: [5 s, 900 s]}
  SPEED: {role: setpoint, type: REAL, range: [20, 80], scale: {type: UINT, raw: [0, 600]}}
  LOTS: {role: setpoint, type: USINT}
  GAIN: {role: setpoint, type: LREAL}
  SHIFT: {role: setpoint, type: TOD, initial: 06:00, range: [04:00, 08:00]}
  RECIPE: {role: setpoint, type: 'STRING[5]', initial: none}
  PINNED: {role: setpoint, type: INT, hmi_address: 60}
"""


@pytest.fixture(scope="module")
def machine() -> Machine:
    return parse_machine(MACHINE, "desk.yaml")


@pytest.fixture
def hmi(machine: Machine) -> HmiMap:
    return HmiMap(machine)


@pytest.fixture
def device(hmi: HmiMap) -> Device:
    """The HMI server's device, as the controller's service builds it."""
    return Device(hmi.bank, write_check=hmi.check_write)


def address(hmi: HmiMap, name: str) -> Address:
    found = hmi.machine.points[name].hmi
    assert found is not None
    return found


def values(hmi: HmiMap) -> dict[str, object]:
    return {p.name: value for p, value in zip(hmi.written, hmi.take(), strict=True)}


def show(hmi: HmiMap, **values: Value) -> None:
    hmi.show([values.get(point.name, point.initial) for point in hmi.shown])


def swapped(format_: str, value: float) -> bytes:
    """A value of two or four registers in the order CDAB, made by struct."""
    big = struct.pack(">" + format_, value)
    return b"".join(big[i : i + 2] for i in reversed(range(0, len(big), 2)))


def write(device: Device, first: int, data: bytes) -> int | None:
    """Function 16; None when it is done, else the exception code."""
    count = len(data) // 2
    reply = device.answer(struct.pack(">BHHB", 0x10, first, count, 2 * count) + data)
    return reply[1] if reply[0] & 0x80 else None


def test_initial_values_are_on_the_map(hmi: HmiMap) -> None:
    """Set points begin at their declared values, commands at FALSE."""
    first = values(hmi)
    assert first == {
        "START": False,
        "AUTO": False,
        "RESET": False,
        "LOCAL": False,
        "BYPASS": True,
        "LEVEL": pytest.approx(0.1),
        "STIR": 75_000_000_000,
        "SPEED": 20.0,
        "LOTS": 0,
        "GAIN": 0.0,
        "SHIFT": 21_600_000_000_000,
        "RECIPE": "none",
        "PINNED": 0,
    }


RANGES = [
    ("LEVEL", swapped("f", 1.2), None),
    ("LEVEL", swapped("f", 1.3), None),
    ("LEVEL", swapped("f", 1.31), ExceptionCode.SERVER_DEVICE_FAILURE),
    ("LEVEL", swapped("f", 0.09), ExceptionCode.SERVER_DEVICE_FAILURE),
    ("LEVEL", swapped("f", float("nan")), ExceptionCode.SERVER_DEVICE_FAILURE),
    ("STIR", swapped("i", 5_000), None),
    ("STIR", swapped("i", 4_999), ExceptionCode.SERVER_DEVICE_FAILURE),
    ("STIR", swapped("i", 900_001), ExceptionCode.SERVER_DEVICE_FAILURE),
    ("SPEED", struct.pack(">H", 0), None),
    ("SPEED", struct.pack(">H", 600), None),
    ("SPEED", struct.pack(">H", 601), ExceptionCode.SERVER_DEVICE_FAILURE),
    ("LOTS", struct.pack(">H", 255), None),
    ("LOTS", struct.pack(">H", 256), ExceptionCode.SERVER_DEVICE_FAILURE),
    ("GAIN", swapped("d", -1e300), None),
    ("GAIN", swapped("d", float("inf")), ExceptionCode.SERVER_DEVICE_FAILURE),
    ("SHIFT", swapped("q", 8 * 3_600_000_000_000), None),
    ("SHIFT", swapped("q", 8 * 3_600_000_000_000 + 1), ExceptionCode.SERVER_DEVICE_FAILURE),
    ("RECIPE", b"Feed7\0", None),
    ("RECIPE", b"\0" * 6, None),
    ("RECIPE", b"Feed17", ExceptionCode.SERVER_DEVICE_FAILURE),
]


@pytest.mark.parametrize(("name", "data", "code"), RANGES)
def test_a_value_outside_its_range_is_refused_with_04(
    hmi: HmiMap, device: Device, name: str, data: bytes, code: int | None
) -> None:
    """The limits themselves pass; beyond them the answer is 04 and the bank keeps its value.

    The Modbus Application Protocol V1.1b3, section 7, rules out 03: it never means a value
    outside the application's range.
    """
    before = bytes(hmi.bank.registers(Table.HOLDING_REGISTERS))
    place = address(hmi, name)
    assert write(device, place.address, data) == code
    memory = bytes(hmi.bank.registers(Table.HOLDING_REGISTERS))
    if code is None:
        assert memory[2 * place.address : 2 * place.end] == data
    else:
        assert memory == before


@pytest.mark.parametrize("name", ["LEVEL", "STIR", "GAIN", "SHIFT", "RECIPE"])
def test_a_part_of_a_wider_value_is_refused_with_02(hmi: HmiMap, device: Device, name: str) -> None:
    """No register of a wider value is written without the others, by whatever function."""
    place = address(hmi, name)
    before = bytes(hmi.bank.registers(Table.HOLDING_REGISTERS))
    for first in range(place.address, place.end):
        for count in range(1, place.end - first + 1):
            if count == place.count:
                continue
            assert write(device, first, bytes(2 * count)) == ExceptionCode.ILLEGAL_DATA_ADDRESS
        single = device.answer(struct.pack(">BHH", 6, first, 0))
        assert single == bytes((0x86, ExceptionCode.ILLEGAL_DATA_ADDRESS))
        mask = device.answer(struct.pack(">BHHH", 0x16, first, 0, 0))
        assert mask == bytes((0x96, ExceptionCode.ILLEGAL_DATA_ADDRESS))
    assert hmi.bank.registers(Table.HOLDING_REGISTERS) == before


def test_several_values_are_written_together_or_not_at_all(hmi: HmiMap, device: Device) -> None:
    """One wrong value in a block keeps the right ones out as well."""
    level, stir = address(hmi, "LEVEL"), address(hmi, "STIR")
    assert level.end == stir.address
    good = swapped("f", 1.0) + swapped("i", 60_000)
    assert write(device, level.address, good) is None
    assert (values(hmi)["LEVEL"], values(hmi)["STIR"]) == (1.0, 60_000_000_000)
    bad = swapped("f", 0.5) + swapped("i", 1)
    assert write(device, level.address, bad) == ExceptionCode.SERVER_DEVICE_FAILURE
    assert values(hmi)["LEVEL"] == 1.0


def test_a_wrong_address_goes_before_a_wrong_value(hmi: HmiMap, device: Device) -> None:
    """Address (02), then value (04), as the figures of functions 06 and 16 have it (V1.1b3)."""
    level = address(hmi, "LEVEL")
    bad_value_and_half = swapped("f", 99.0) + b"\0\0"
    assert write(device, level.address, bad_value_and_half) == ExceptionCode.ILLEGAL_DATA_ADDRESS


def test_there_is_nothing_to_write_between_points(hmi: HmiMap, device: Device) -> None:
    """A gap reads as 0 and takes no value: 02."""
    gap = address(hmi, "PINNED").address - 1
    assert write(device, gap, b"\0\0") == ExceptionCode.ILLEGAL_DATA_ADDRESS
    assert device.answer(struct.pack(">BHH", 3, gap, 2)) == b"\x03\x04\0\0\0\0"
    assert write(device, gap + 1, b"\0\7") is None


def test_function_23_refuses_before_it_writes(hmi: HmiMap, device: Device) -> None:
    """A refused value, and a bad read range beside a good one, leave the bank alone."""
    stir = address(hmi, "STIR").address

    def exchange(read_from: int, data: bytes) -> bytes:
        head = struct.pack(">BHHHHB", 0x17, read_from, 2, stir, len(data) // 2, len(data))
        return device.answer(head + data)

    good, bad = swapped("i", 30_000), swapped("i", 1)
    assert exchange(stir, bad) == bytes((0x97, ExceptionCode.SERVER_DEVICE_FAILURE))
    assert exchange(9_999, good) == bytes((0x97, ExceptionCode.ILLEGAL_DATA_ADDRESS))
    assert exchange(stir, good[:2]) == bytes((0x97, ExceptionCode.ILLEGAL_DATA_ADDRESS))
    assert values(hmi)["STIR"] == 75_000_000_000
    assert exchange(stir, good) == b"\x17\x04" + good


def test_input_tables_are_read_only_by_their_functions(hmi: HmiMap, device: Device) -> None:
    """What a program shows lies in tables that no function writes; the same address of the
    written tables is another point or none."""
    level = address(hmi, "LT_1")
    assert level.table is Table.INPUT_REGISTERS
    assert address(hmi, "LSH").table is Table.DISCRETE_INPUTS
    show(hmi, LT_1=1.5, MM=1.5)
    before = bytes(hmi.bank.registers(Table.INPUT_REGISTERS))
    write(device, level.address, bytes(4))
    assert hmi.bank.registers(Table.INPUT_REGISTERS) == before


# Bits of a register


def orders(hmi: HmiMap) -> int:
    start = 2 * address(hmi, "RESET").address
    return int.from_bytes(hmi.bank.registers(Table.HOLDING_REGISTERS)[start : start + 2], "big")


def test_bits_of_a_register_are_written_together(hmi: HmiMap, device: Device) -> None:
    """A whole register sets all of its points; bit 0 is the least significant."""
    place = address(hmi, "RESET").address
    assert orders(hmi) == 0x8000
    assert write(device, place, b"\x02\x01") is None
    found = values(hmi)
    assert (found["RESET"], found["LOCAL"], found["BYPASS"]) == (True, True, False)


def test_a_bit_that_no_point_has_is_refused(hmi: HmiMap, device: Device) -> None:
    """A 1 where there is no point is a mistake of the HMI: 04, and nothing changes."""
    place = address(hmi, "RESET").address
    for bit in set(range(16)) - {0, 9, 15}:
        data = (0x8000 | 1 << bit).to_bytes(2, "big")
        assert write(device, place, data) == ExceptionCode.SERVER_DEVICE_FAILURE
    assert orders(hmi) == 0x8000


@pytest.mark.parametrize(
    ("and_mask", "or_mask", "after"),
    [
        (0xFFFE, 0x0001, 0x8001),
        (0x7FFF, 0x0000, 0x0000),
        (0xFDFF, 0x0200, 0x8200),
        (0xFFFF, 0x0000, 0x8000),
        (0xFFFD, 0x0002, None),
    ],
)
def test_function_22_changes_one_bit_among_others(
    hmi: HmiMap, device: Device, and_mask: int, or_mask: int, after: int | None
) -> None:
    """(current AND and) OR (or AND NOT and), V1.1b3 section 6.16, checked as what comes of it."""
    place = address(hmi, "RESET").address
    request = struct.pack(">BHHH", 0x16, place, and_mask, or_mask)
    reply = device.answer(request)
    if after is None:
        assert reply == bytes((0x96, ExceptionCode.SERVER_DEVICE_FAILURE))
        assert orders(hmi) == 0x8000
    else:
        assert reply == request
        assert orders(hmi) == after


# Commands


def test_momentary_commands_are_released_and_others_kept(hmi: HmiMap, device: Device) -> None:
    """After a scan the momentary ones are FALSE, in coils and in registers of bits alike."""
    start, auto = address(hmi, "START").address, address(hmi, "AUTO").address
    for coil in (start, auto):
        device.answer(struct.pack(">BHH", 5, coil, 0xFF00))
    write(device, address(hmi, "RESET").address, b"\x82\x01")
    on = ("START", "AUTO", "RESET", "LOCAL", "BYPASS")
    assert [values(hmi)[name] for name in on] == [True] * 5
    hmi.release_commands(hmi.take())
    assert [values(hmi)[name] for name in on] == [False, True, False, True, True]
    hmi.release_commands(hmi.take())
    assert orders(hmi) == 0x8200


def test_a_command_given_again_is_released_again(hmi: HmiMap) -> None:
    """Although the map then holds what it held before, so that the same is taken."""
    for _ in range(3):
        hmi.give(["START"])
        hmi.release_commands(hmi.take())
        assert values(hmi)["START"] is False


def test_commands_are_given_by_name(hmi: HmiMap) -> None:
    """The owner presses buttons as an HMI does, and only those that there are."""
    hmi.give(["RESET", "START"])
    assert values(hmi)["RESET"] is values(hmi)["START"] is True
    with pytest.raises(SoftctlError, match=r"expected a command \(START, AUTO, RESET"):
        hmi.give(["STIR"])


def test_a_coil_that_no_point_has_is_refused() -> None:
    """A gap between pinned coils takes no write: 02."""
    text = MACHINE.replace("AUTO: {role: command,", "AUTO: {role: command, hmi_address: 5,")
    hmi = HmiMap(parse_machine(text, "desk.yaml"))
    device = Device(hmi.bank, write_check=hmi.check_write)
    assert device.answer(struct.pack(">BHH", 5, 3, 0xFF00)) == b"\x85\x02"
    assert device.answer(b"\x0f\0\0\0\6\1\x21") == b"\x8f\x02"
    assert device.answer(struct.pack(">BHH", 5, 5, 0xFF00))[0] == 5


def test_a_scaled_input_shows_counts(hmi: HmiMap) -> None:
    """A level of 1.5 m is 1500 mm where `scale` says so, and a REAL in CDAB where not."""
    show(hmi, LSH=True, LT_1=1.5, MM=1.5)
    memory = hmi.bank.registers(Table.INPUT_REGISTERS)
    plain, counts = address(hmi, "LT_1"), address(hmi, "MM")
    assert memory[2 * plain.address : 2 * plain.end] == swapped("f", 1.5)
    assert memory[2 * counts.address : 2 * counts.end] == struct.pack(">h", 1500)
    assert hmi.bank.bits(Table.DISCRETE_INPUTS)[address(hmi, "LSH").address] == 1


DESK = HmiMap(parse_machine(MACHINE, "desk.yaml"))
HOLDING_END = max(p.hmi.end for p in DESK.written if p.hmi and not p.hmi.table.is_bits)
REGISTERS = st.sampled_from([0, 1, 5_000, 600, 0x3F80, 0x4170, 0x8000, 0x8001, 0xFFFF]) | (
    st.integers(0, 0xFFFF)
)
BLOCKS = st.tuples(
    st.integers(0, HOLDING_END), st.lists(REGISTERS, min_size=1, max_size=8), st.booleans()
)


@given(st.lists(BLOCKS, max_size=6))
def test_whatever_is_written_every_set_point_keeps_to_its_range(
    blocks: list[tuple[int, list[int], bool]],
) -> None:
    """Any writes and masks leave values that may be set, and a refused one leaves no trace."""
    hmi = HmiMap(DESK.machine)
    device = Device(hmi.bank, write_check=hmi.check_write)
    for first, words, is_mask in blocks:
        before = bytes(hmi.bank.registers(Table.HOLDING_REGISTERS))
        data = b"".join(word.to_bytes(2, "big") for word in words)
        if is_mask:
            reply = device.answer(struct.pack(">BHHH", 0x16, first, words[0], words[-1]))
        else:
            reply = device.answer(struct.pack(">BHHB", 0x10, first, len(words), len(data)) + data)
        if reply[0] & 0x80:
            assert hmi.bank.registers(Table.HOLDING_REGISTERS) == before
        for point, value in zip(hmi.written, hmi.take(), strict=True):
            assert type(value) is type(point.initial)
            if point.low is not None and point.high is not None:
                assert not isinstance(value, str)
                assert point.low <= value <= point.high
