"""Point types in the machine file: texts, dates, counts, bits of a register, word orders."""

from __future__ import annotations

import pytest
from demo_file import position

from softctl.errors import Problem, ProblemsError
from softctl.machine import Address, Machine, machine_schema, parse_machine
from softctl.machine.register_map import Row, register_map
from softctl.values.registers import WordOrder
from softctl.values.tables import Table

TEXT = """
name: types
programs: [none.st]
field: {port: 0}
hmi: {port: 0, word_order: CDAB}
cards:
  DI: {kind: digital input, channels: 8}
  AI: {kind: analog input, channels: 2}
points:
  HIGH: {card: DI, in_register: ALARMS}
  MM: {card: AI, unit: m, range: [0, 2], scale: {type: int, raw: [0, 2000]}}
  LOW: {card: DI, in_register: alarms, bit: 0}
  SPARE: {card: DI, hmi: false}
  BATCH: {role: state, type: 'STRING[9]', initial: none yet}
  GRADE: {role: state, type: CHAR, initial: A}
  GO: {role: command, in_register: ORDERS, bit: 4}
  HALT: {role: command, in_register: ORDERS, hmi_address: 40}
  WIDE: {role: setpoint, type: 'wstring[4]'}
  DAY: {role: setpoint, type: DATE, initial: 2026-11-25, range: [2026-01-01, 2026-12-31]}
  SHIFT: {role: setpoint, type: TOD, initial: 06:30:00.5}
  NEXT: {role: setpoint, type: DT, initial: 2026-11-25 06:30, hmi_address: 20}
  SPEED: {role: setpoint, type: REAL, unit: rpm, range: [0, 190], word_order: DCBA}
  FLOW: {role: state, type: LREAL, range: [0, 60], scale: {type: UDINT, raw: [60000, 0]}}
"""


@pytest.fixture(scope="module")
def machine() -> Machine:
    return parse_machine(TEXT, "types.yaml")


@pytest.fixture(scope="module")
def rows(machine: Machine) -> dict[str, Row]:
    return {row.name: row for row in register_map(machine) if row.server == "hmi"}


INPUTS, HOLDING = Table.INPUT_REGISTERS, Table.HOLDING_REGISTERS


@pytest.mark.parametrize(
    ("name", "address"),
    [
        ("HIGH", Address(INPUTS, 16, 1, bit=1)),
        ("MM", Address(INPUTS, 17, 1)),
        ("LOW", Address(INPUTS, 16, 1, bit=0)),
        ("SPARE", None),
        ("BATCH", Address(INPUTS, 18, 5)),
        ("GRADE", Address(INPUTS, 23, 1)),
        ("FLOW", Address(INPUTS, 24, 2)),
        ("GO", Address(HOLDING, 40, 1, bit=4)),
        ("HALT", Address(HOLDING, 40, 1, bit=0)),
        ("WIDE", Address(HOLDING, 0, 4)),
        ("DAY", Address(HOLDING, 4, 4)),
        ("SHIFT", Address(HOLDING, 8, 4)),
        ("NEXT", Address(HOLDING, 20, 4)),
        ("SPEED", Address(HOLDING, 12, 2)),
    ],
)
def test_where_points_lie(machine: Machine, name: str, address: Address | None) -> None:
    """A register of bits lies where its first point would; pins of bits and addresses hold."""
    assert machine.points[name].hmi == address


DAY_NS = 86_400_000_000_000


@pytest.mark.parametrize(
    ("name", "initial"),
    [
        ("BATCH", "none yet"),
        ("GRADE", "A"),
        ("WIDE", ""),
        ("DAY", 20_782 * DAY_NS),
        ("SHIFT", 23_400_500_000_000),
        ("NEXT", 20_782 * DAY_NS + 23_400_000_000_000),
        ("FLOW", 0.0),
    ],
)
def test_initial_values(machine: Machine, name: str, initial: object) -> None:
    """Texts are texts; dates are nanoseconds from 1970-01-01, times of day from midnight.

    2026-11-25 is day 20,782 (worked out with Python's datetime).
    """
    assert machine.points[name].initial == initial


def test_the_effective_word_order(machine: Machine) -> None:
    """A point's own, else the server's for numbers and high byte first for texts."""
    orders = {name: machine.hmi_order(machine.points[name]) for name in ("SPEED", "DAY", "BATCH")}
    assert orders == {"SPEED": WordOrder.DCBA, "DAY": WordOrder.CDAB, "BATCH": WordOrder.ABCD}


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("HIGH", ("BOOL", 1, "1", "", "", "")),
        ("LOW", ("BOOL", 1, "0", "", "", "")),
        ("MM", ("INT", 1, "", "", "", "0 = 0 m, 2000 = 2 m")),
        ("BATCH", ("STRING[9]", 5, "", "9", "ABCD", "")),
        ("GRADE", ("CHAR", 1, "", "", "", "")),
        ("WIDE", ("WSTRING[4]", 4, "", "4", "ABCD", "")),
        ("DAY", ("DATE", 4, "", "", "CDAB", "1 = 1 ns from 1970-01-01")),
        ("SHIFT", ("TOD", 4, "", "", "CDAB", "1 = 1 ns from midnight")),
        ("SPEED", ("REAL", 2, "", "", "DCBA", "")),
        ("FLOW", ("UDINT", 2, "", "", "CDAB", "60000 = 0, 0 = 60")),
    ],
)
def test_the_register_map_says_how_to_read_them(
    rows: dict[str, Row], name: str, expected: tuple[object, ...]
) -> None:
    """Type on the wire, registers, bit, length, order and scale of each point."""
    row = rows[name]
    found = (row.type, row.count, row.bit, row.length, row.word_order, row.scale)
    assert found == expected


def test_ranges_of_dates_read_as_dates(rows: dict[str, Row]) -> None:
    """A limit in the map is written as the machine file has it."""
    assert rows["DAY"].range == "2026-01-01 to 2026-12-31"


def test_bits_are_listed_in_their_order(machine: Machine) -> None:
    """Points of one register follow each other by bit, whatever the file's order is."""
    names = [row.name for row in register_map(machine) if row.server == "hmi" and row.bit]
    assert names == ["LOW", "HIGH", "HALT", "GO"]


BROKEN = {
    "text without a length": (
        "type: 'STRING[9]'",
        "type: |STRING",
        "expected a length behind STRING, such as STRING[20], got 'STRING'",
    ),
    "text too long for one request": (
        "'wstring[4]'",
        "|'wstring[124]'",
        "expected a length of WSTRING from 1 to 123, got 124",
    ),
    "initial text too long": (
        "initial: none yet",
        "initial: |ten letters",
        "expected at most 9 characters, got 'ten letters'",
    ),
    "initial of two characters": (
        "initial: A}",
        "initial: |AB}",
        "expected one character, got 'AB'",
    ),
    "a day that does not exist": (
        "initial: 2026-11-25, ",
        "initial: |2026-11-31, ",
        "expected a date such as '2026-11-25', got '2026-11-31'",
    ),
    "an hour that does not exist": (
        "06:30:00.5",
        "|24:00",
        "expected a time of day such as '06:30' or '06:30:00.5', got '24:00'",
    ),
    "a date out of its range": (
        "initial: 2026-11-25, ",
        "initial: |2027-01-01, ",
        "expected a value within the range 2026-01-01 to 2026-12-31, got '2027-01-01'",
    ),
    "range of a text": (
        "type: 'wstring[4]'",
        "type: 'wstring[4]', range: |[a, b]",
        "expected no 'range' beside the type WSTRING[4], got a list",
    ),
    "order of one register": (
        "raw: [0, 2000]}",
        "raw: [0, 2000]}, word_order: |ABCD",
        "expected no 'word_order', since INT fits one register, got 'ABCD'",
    ),
    "order of registers of a text": (
        "type: 'wstring[4]'",
        "type: 'wstring[4]', word_order: |CDAB",
        "expected ABCD (high byte first) or BADC (low byte first) for a text, got 'CDAB'",
    ),
    "order of a bit": (
        "LOW: {card: DI, ",
        "LOW: {card: DI, word_order: |ABCD, ",
        "expected no 'word_order' beside the type BOOL, got 'ABCD'",
    ),
    "scale of a text": (
        "type: 'wstring[4]'",
        "type: 'wstring[4]', scale: |{type: INT, raw: [0, 1]}",
        "expected no 'scale' beside the type WSTRING[4], got a mapping",
    ),
    "scale in a real type": (
        "{type: UDINT, raw",
        "{type: |REAL, raw",
        "expected a whole-number type such as INT or UDINT, got 'REAL'",
    ),
    "scale beyond its type": (
        "{type: int, raw: [0, 2000]}",
        "|{type: int, raw: [0, 40000]}",
        "expected counts from -32768 to 32767, as INT has them, in 'raw', got a mapping",
    ),
    "scale without a range": (
        "FLOW: {role: state, type: LREAL, range: [0, 60], ",
        "|FLOW: {role: state, type: LREAL, ",
        "expected the key 'range' (the values at the ends of the counts) in FLOW, got none",
    ),
    "scale with one end": (
        "raw: [60000, 0]",
        "raw: |[60000, 60000]",
        "expected two different whole numbers such as [0, 1000], got a list",
    ),
    "bit without a register": (
        "GO: {role: command, in_register: ORDERS, bit: 4}",
        "GO: {role: command, bit: |4}",
        "expected 'in_register' with the name of a register beside 'bit', got 4",
    ),
    "bit beyond the register": (
        "bit: 4",
        "bit: |16",
        "expected a whole number from 0 to 15, got 16",
    ),
    "number in a register of bits": (
        "type: CHAR, ",
        "type: CHAR, in_register: |ALARMS, ",
        "expected no 'in_register' beside the type CHAR, got 'ALARMS'",
    ),
    "bit twice": (
        "SPARE: {card: DI, hmi: false}",
        "SPARE: {card: DI, in_register: ALARMS, bit: |0}",
        "expected bits of the register alarms that are free, got 0 for SPARE, which overlaps LOW",
    ),
    "read and written bits in one register": (
        "GO: {role: command, in_register: ORDERS",
        "GO: {role: command, in_register: |ALARMS",
        "that are all written by the HMI, as commands and set points are, or all only read, got GO",
    ),
    "two addresses for a register": (
        "bit: 4}",
        "bit: 4, hmi_address: 41}",
        "expected one address for the register ORDERS, got 40 beside 41",
    ),
    "hidden bit": (
        "SPARE: {card: DI, hmi: false}",
        "SPARE: {card: DI, hmi: false, in_register: |ALARMS}",
        "expected no 'in_register' beside 'hmi: false', got 'ALARMS'",
    ),
    "refresh of what nobody sees": (
        "SPARE: {card: DI, hmi: false}",
        "SPARE: {card: DI, hmi: false, refresh: |1 s}",
        "expected no 'refresh' beside 'hmi: false', got '1 s'",
    ),
    "refresh without a unit": (
        "BATCH: {",
        "BATCH: {refresh: |500, ",
        "expected a time from '10 ms' to '3600 s', got 500",
    ),
}


def problems_of(text: str) -> tuple[Problem, ...]:
    with pytest.raises(ProblemsError) as caught:
        parse_machine(text, "types.yaml")
    return caught.value.problems


@pytest.mark.parametrize("name", BROKEN)
def test_one_mistake_gives_one_error_at_its_place(name: str) -> None:
    """A mistake gives one error, with its position and what was expected."""
    old, new, words = BROKEN[name]
    assert TEXT.count(old) == 1
    text = TEXT.replace(old, new.replace("|", ""))
    problems = problems_of(text)
    assert len(problems) == 1, [str(problem) for problem in problems]
    (problem,) = problems
    assert words.casefold() in problem.message.casefold()
    if "|" in new:
        assert (problem.place.line, problem.place.column) == position(text, new)


def test_a_register_holds_sixteen_bits() -> None:
    """The seventeenth point is told that there is no room."""
    more = "".join(f"  B{i}: {{role: state, type: BOOL, in_register: ALARMS}}\n" for i in range(15))
    (problem,) = problems_of(TEXT + more)
    message = "expected at most 16 bits on the register ALARMS, got no room for B14"
    assert problem.message == message


def test_the_schema_knows_the_keys() -> None:
    """An editor offers the keys and the types of counts, and accepts declared lengths."""
    definitions = machine_schema()["$defs"]
    for section in ("FieldPointSection", "SetpointSection", "StateSection"):
        keys = definitions[section]["properties"]
        assert {"word_order", "scale", "in_register", "bit", "refresh"} <= set(keys)
    assert {"in_register", "bit", "refresh"} <= set(definitions["CommandSection"]["properties"])
    counts = definitions["ScaleSection"]["properties"]["type"]["enum"]
    assert set(counts) == {"INT", "DINT", "LINT", "UINT", "UDINT", "ULINT"}
    types = definitions["SetpointSection"]["properties"]["type"]["anyOf"]
    assert "CHAR" in types[0]["enum"]
    assert types[1]["pattern"] == r"^W?STRING\[[1-9][0-9]{0,2}\]$"
