"""Copies between points' values and a bank, held against struct and against one by one."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from type_machine import hmi_bank, machine_of

from softctl.image import Side, extents, field_banks, point_reader, point_writer
from softctl.machine import Machine, Point, Value
from softctl.modbus.bank import Bank
from softctl.values.registers import nearest, register_limits
from softctl.values.tables import Table
from softctl.values.types import Kind, round_to_real

MS = 1_000_000
DAY = 86_400_000_000_000
NUMBERS = [
    "BYTE",
    "WORD",
    "DWORD",
    "LWORD",
    "SINT",
    "INT",
    "DINT",
    "LINT",
    "USINT",
    "UINT",
    "UDINT",
    "ULINT",
    "REAL",
    "LREAL",
    "TIME",
    "LTIME",
    "DATE",
    "LDATE",
    "TOD",
    "LTOD",
    "DT",
    "LDT",
]
FORMATS = {
    "BYTE": "H",
    "WORD": "H",
    "DWORD": "I",
    "LWORD": "Q",
    "SINT": "h",
    "INT": "h",
    "DINT": "i",
    "LINT": "q",
    "USINT": "H",
    "UINT": "H",
    "UDINT": "I",
    "ULINT": "Q",
    "REAL": "f",
    "LREAL": "d",
    "TIME": "i",
    "LTIME": "q",
}
ORDERS = ["ABCD", "CDAB", "BADC", "DCBA"]


def type_names(texts: bool = True) -> list[str]:
    return [*NUMBERS, *(["BOOL", "CHAR", "WCHAR", "STRING[7]", "WSTRING[3]"] if texts else [])]


def states(names: Sequence[str], order: str = "ABCD") -> tuple[Machine, list[Point]]:
    """A machine with one state per type name, in this order, and these points."""
    lines = [f"P{i}: {{role: state, type: '{name}'}}" for i, name in enumerate(names)]
    machine = machine_of(lines, order=order)
    return machine, [machine.points[f"P{i}"] for i in range(len(names))]


def values_of(point: Point) -> st.SearchStrategy[Value]:
    """Values that the point's registers hold."""
    type_ = point.type
    if type_.kind is Kind.BOOL:
        return st.booleans()
    if type_.kind is Kind.STRING:
        return st.text(st.characters(exclude_categories=["Cs"])).map(lambda v: nearest(v, type_))
    if type_.kind is Kind.REAL:
        return st.floats(width=type_.bits, allow_nan=False)
    low, high = register_limits(type_)
    if type_.name == "TIME":
        return st.integers(low // MS, high // MS).map(lambda v: v * MS)
    if type_.name in ("DATE", "LDATE"):
        return st.integers(0, high // DAY).map(lambda v: v * DAY)
    return st.integers(low, high)


def wire(value: Value, name: str, order: str) -> bytes:
    """The registers of a number by struct alone, its bytes moved one by one."""
    counts = value // MS if name == "TIME" else value
    big = struct.pack(">" + FORMATS.get(name, "Q"), counts)
    words = [big[i : i + 2] for i in range(0, len(big), 2)]
    if len(words) == 1:
        return big
    if order in ("CDAB", "DCBA"):
        words.reverse()
    return b"".join(word[::-1] if order in ("BADC", "DCBA") else word for word in words)


BETWEEN = {
    (name, order): states(["WORD", name, "BYTE"], order) for name in NUMBERS for order in ORDERS
}


@pytest.mark.parametrize("name", NUMBERS)
@given(st.sampled_from(ORDERS), st.data())
def test_any_number_has_structs_bytes_and_comes_back(
    name: str, order: str, data: st.DataObject
) -> None:
    """Every type in every order: the bytes are those of struct, and the value comes back."""
    machine, points = BETWEEN[name, order]
    bank = hmi_bank(machine)
    value = data.draw(values_of(points[1]))
    point_writer(bank, machine, points, Side.HMI, wired=True)([0xA5A5, value, 0x5A])
    assert _registers(bank, points[1]) == wire(value, name, order)
    read = point_reader(bank, machine, points, Side.HMI, wired=True)
    assert read() == (0xA5A5, value, 0x5A)


MIXED = [(order, *states([*type_names(), *type_names()], order)) for order in ORDERS]


@given(st.sampled_from(MIXED), st.data())
def test_all_types_side_by_side_come_back_through_many_scans(
    mixed: tuple[str, Machine, list[Point]], data: st.DataObject
) -> None:
    """Points of all types in any order of reading: each scan's values come back, unmixed."""
    _, machine, points = mixed
    chosen = data.draw(st.permutations(points).map(lambda all_: all_[:9]))
    bank = hmi_bank(machine)
    write = point_writer(bank, machine, chosen, Side.HMI, wired=True)
    read = point_reader(bank, machine, chosen, Side.HMI, wired=True)
    values = [data.draw(values_of(point)) for point in chosen]
    for _ in range(3):
        write(values)
        assert read() == tuple(values)
        assert [type(value) for value in read()] == [type(value) for value in values]
        changed = data.draw(st.integers(0, len(chosen) - 1))
        values[changed] = data.draw(values_of(chosen[changed]))


def test_an_unchanged_value_is_not_written_again() -> None:
    """A writer leaves alone what it wrote before, so that it costs nothing."""
    machine, points = states(["INT", "REAL", "BOOL"])
    bank = hmi_bank(machine)
    write = point_writer(bank, machine, points, Side.HMI, wired=True)
    write([1, 2.0, True])
    memory = bank.registers(Table.INPUT_REGISTERS)
    memory[:] = bytes(len(memory))
    write([1, 3.0, True])
    read = point_reader(bank, machine, points, Side.HMI, wired=True)
    assert read() == (0, 3.0, True)


@pytest.mark.parametrize(
    ("name", "value", "shown"),
    [
        ("INT", 70_000, 32_767),
        ("USINT", -1, 0),
        ("SINT", 300, 127),
        ("TIME", 40 * DAY, (2**31 - 1) * MS),
        ("REAL", 1e300, math.inf),
        ("TOD", -1, 0),
        ("DATE", DAY + 1, DAY),
        ("STRING[4]", "overlong", "over"),
        ("STRING[4]", "5 Ω", "5 ?"),
        ("CHAR", "", "\0"),
    ],
)
def test_a_value_that_does_not_fit_shows_as_the_nearest(
    name: str, value: Value, shown: Value
) -> None:
    """A program's value never stops a scan: what registers cannot hold becomes a limit."""
    machine, points = states([name])
    bank = hmi_bank(machine)
    point_writer(bank, machine, points, Side.HMI, wired=True)([value])
    assert point_reader(bank, machine, points, Side.HMI, wired=True)() == (shown,)


def test_a_wrong_number_of_values_is_refused() -> None:
    """A caller that lost a value hears of it, instead of shifting all others."""
    machine, points = states(["INT", "INT"])
    write = point_writer(hmi_bank(machine), machine, points, Side.HMI, wired=True)
    with pytest.raises(ValueError, match="expected 2 values, got 1"):
        write([1])


def test_no_points_read_as_nothing() -> None:
    """A machine without points of a role has readers and writers all the same."""
    machine = machine_of(["P: {role: state, type: BOOL}"])
    bank = hmi_bank(machine)
    assert point_reader(bank, machine, [], Side.HMI, wired=True)() == ()
    point_writer(bank, machine, [], Side.HMI, wired=True)([])


def test_one_point_has_its_own_word_order() -> None:
    """`word_order` of a point goes before the server's, next to points that follow it.

    REAL 123.456 is 42F6 E979 (IEEE 754).
    """
    machine = machine_of(
        [
            "OWN: {role: state, type: REAL, word_order: DCBA}",
            "SERVER: {role: state, type: REAL}",
        ],
        order="CDAB",
    )
    points = [machine.points["OWN"], machine.points["SERVER"]]
    bank = hmi_bank(machine)
    point_writer(bank, machine, points, Side.HMI, wired=True)([123.456, 123.456])
    assert _registers(bank, points[0]).hex() == "79e9f642"
    assert _registers(bank, points[1]).hex() == "e97942f6"
    values = point_reader(bank, machine, points, Side.HMI, wired=True)()
    assert values == pytest.approx((123.456, 123.456))


@pytest.mark.parametrize("order", ORDERS)
def test_texts_are_high_byte_first_whatever_the_server(order: str) -> None:
    """The server's order is one of numbers; a text follows only its own `word_order`."""
    machine = machine_of(
        [
            "PLAIN: {role: state, type: 'STRING[5]'}",
            "LOW: {role: state, type: 'STRING[5]', word_order: BADC}",
        ],
        order=order,
    )
    points = [machine.points["PLAIN"], machine.points["LOW"]]
    bank = hmi_bank(machine)
    point_writer(bank, machine, points, Side.HMI, wired=True)(["ABC", "ABC"])
    assert _registers(bank, points[0]) == b"ABC\0\0\0"
    assert _registers(bank, points[1]) == b"BA\0C\0\0"


FLAGS = [f"B{i}: {{role: state, type: BOOL, in_register: FLAGS, bit: {i}}}" for i in range(16)]
FLAG_MACHINE = machine_of(FLAGS)


@given(st.lists(st.booleans(), min_size=16, max_size=16), st.integers(0, 15))
def test_bits_share_a_register(flags: list[bool], flipped: int) -> None:
    """Sixteen BOOLs are one register, bit 0 the least significant, and none touches another."""
    machine = FLAG_MACHINE
    points = [machine.points[f"B{i}"] for i in range(16)]
    bank = hmi_bank(machine)
    write = point_writer(bank, machine, points, Side.HMI, wired=True)
    read = point_reader(bank, machine, points, Side.HMI, wired=True)
    for _ in range(2):
        write(flags)
        expected = sum(1 << i for i, flag in enumerate(flags) if flag)
        assert int.from_bytes(_registers(bank, points[0]), "big") == expected
        assert read() == tuple(flags)
        flags[flipped] = not flags[flipped]


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("counts", ["INT", "UINT", "DINT", "UDINT"])
def test_a_real_value_travels_as_counts(counts: str, order: str) -> None:
    """`scale` shows a REAL in m as whole mm, beyond its range too, up to the register's limits."""
    line = (
        f"L: {{role: state, type: REAL, unit: m, range: [0, 2], scale: {{type: {counts}, "
        "raw: [0, 2000]}}"
    )
    machine = machine_of([line], order=order)
    (point,) = points = [machine.points["L"]]
    bank = hmi_bank(machine)
    write = point_writer(bank, machine, points, Side.HMI, wired=True)
    read = point_reader(bank, machine, points, Side.HMI, wired=True)
    for value, expected in ((1.2344, 1234), (2.5, 2500), (0.0, 0)):
        write([value])
        assert _registers(bank, point) == wire(expected, counts, order)
        assert read() == pytest.approx((expected / 1000,))
    low = -32_768 if counts == "INT" else -2147483648 if counts == "DINT" else 0
    write([-1e12])
    assert _registers(bank, point) == wire(low, counts, order)
    write([math.nan])
    assert _registers(bank, point) == wire(low, counts, order)


def test_scaled_values_leave_what_lies_between_them() -> None:
    """Runs of counts, with REAL, LREAL and TIME among them, are written each in its place."""
    scale = "range: [0, 2], scale: {type: INT, raw: [0, 2000]}"
    lines = [
        f"A: {{role: state, type: REAL, unit: m, {scale}}}",
        f"B: {{role: state, type: LREAL, unit: m, {scale}}}",
        "GAP: {role: state, type: UINT}",
        "DELAY: {role: state, type: TIME}",
        f"C: {{role: state, type: REAL, unit: m, {scale}}}",
    ]
    machine = machine_of(lines)
    points = [machine.points[name] for name in ("C", "GAP", "A", "DELAY", "B")]
    bank = hmi_bank(machine)
    write = point_writer(bank, machine, points, Side.HMI, wired=True)
    read = point_reader(bank, machine, points, Side.HMI, wired=True)
    write((0.3, 77, 1.1, 2_000_000_000, 1.1))
    real = round_to_real
    assert read() == (real(0.3), 77, real(1.1), 2_000_000_000, 1.1)
    write((0.3, 77, 1.2, 2_000_000_000, 1.1))
    assert read() == (real(0.3), 77, real(1.2), 2_000_000_000, 1.1)


def test_of_many_channels_one_changes() -> None:
    """More channels than are converted together: each value is its own, whichever changes."""
    count = 40
    lines = [f"F{i}: {{card: AI, unit: '%', range: [0, {100 + i}]}}" for i in range(count)]
    cards = [f"AI: {{kind: analog input, channels: {count}}}"]
    machine = machine_of(lines, cards=cards)
    points = [machine.points[f"F{i}"] for i in reversed(range(count))]
    (bank,) = field_banks(machine).values()
    write = point_writer(bank, machine, points, Side.FIELD, wired=True)
    read = point_reader(bank, machine, points, Side.FIELD, wired=True)
    values = [float(i) for i in range(count)]
    for changed in (0, 15, 16, 39):
        values[changed] += 25.0
        write(tuple(values))
        assert read() == pytest.approx(tuple(values), abs=0.01)


LOOP = machine_of(
    ["FT: {card: AI, unit: '%', range: [0, 100]}"],
    cards=["AI: {kind: analog input, channels: 2}"],
)


@pytest.mark.parametrize(
    ("milliamps", "percent"),
    [(3.6, -2.5), (3.8, -1.25), (4.0, 0.0), (8.0, 25.0), (20.5, 103.125), (21.0, 106.25)],
)
def test_loop_currents_beyond_the_range_reach_the_program(milliamps: float, percent: float) -> None:
    """The limits of NAMUR NE 43 come through a card's counts, so that a program can see them.

    Measuring information is 3.8 to 20.5 mA, failure information at most 3.6 or at least 21 mA.
    """
    bank = Bank(extents(LOOP, Side.FIELD))
    points = [LOOP.points["FT"]]
    point_writer(bank, LOOP, points, Side.FIELD, wired=False)([percent])
    counts = bank.registers(Table.INPUT_REGISTERS)[:2]
    assert int.from_bytes(counts, "big", signed=True) == round(1000 * milliamps)
    assert point_reader(bank, LOOP, points, Side.FIELD, wired=True)() == (percent,)


CONTACTS = machine_of(
    [
        "NO: {card: DI, true_when: closed}",
        "NC: {card: DI, true_when: open, in_register: FLAGS}",
        "NC2: {card: DI, true_when: open}",
    ],
    cards=["DI: {kind: digital input, channels: 4}"],
)


@given(st.lists(st.booleans(), min_size=3, max_size=3))
def test_contacts_that_are_open_for_true(contacts: list[bool]) -> None:
    """Behind the wiring a point has its meaning, before it its electrical state; the HMI sees
    the meaning."""
    names = ["NO", "NC", "NC2"]
    points = [CONTACTS.points[name] for name in names]
    bank = Bank(extents(CONTACTS, Side.FIELD))
    point_writer(bank, CONTACTS, points, Side.FIELD, wired=False)(contacts)
    assert list(bank.bits(Table.DISCRETE_INPUTS)[:3]) == contacts
    meaning = point_reader(bank, CONTACTS, points, Side.FIELD, wired=True)()
    assert meaning == (contacts[0], not contacts[1], not contacts[2])
    hmi = hmi_bank(CONTACTS)
    point_writer(hmi, CONTACTS, points, Side.HMI, wired=True)(meaning)
    assert point_reader(hmi, CONTACTS, points, Side.HMI, wired=True)() == meaning


def _registers(bank: Bank, point: Point) -> bytes:
    assert point.hmi is not None
    memory = bank.registers(point.hmi.table)
    return bytes(memory[2 * point.hmi.address : 2 * point.hmi.end])


def test_counts_of_a_real_are_rounded_to_a_real() -> None:
    """A program's REAL is binary32 (IEEE 754) on either side: 1234 mm is not the double 1.234."""
    line = "L: {card: AI, unit: m, range: [0, 2], scale: {type: INT, raw: [0, 2000]}}"
    machine = machine_of([line], cards=["AI: {kind: analog input, channels: 1, raw: [0, 2000]}"])
    points = [machine.points["L"]]
    for side in Side:
        bank = Bank(extents(machine, side))
        point_writer(bank, machine, points, side, wired=True)([1.234])
        (value,) = point_reader(bank, machine, points, side, wired=True)()
        assert value == struct.unpack(">f", struct.pack(">f", 1.234))[0] != 1.234


def test_only_what_changed_is_decoded_again() -> None:
    """The text beside a number that changes stays the same object, since nobody made it anew."""
    machine, points = states(["STRING[20]", "INT"])
    bank = hmi_bank(machine)
    write = point_writer(bank, machine, points, Side.HMI, wired=True)
    read = point_reader(bank, machine, points, Side.HMI, wired=True)
    write(["a text of its own", 1])
    before = read()
    assert read() is before
    write(["a text of its own", 2])
    after = read()
    assert after == ("a text of its own", 2)
    assert after[0] is before[0]
