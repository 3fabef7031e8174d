"""The alarms and guards of a machine file."""

from __future__ import annotations

import pytest
from demo_file import FILE, WHOLE

from softctl.alarms import Ending, Priority
from softctl.errors import ProblemsError
from softctl.machine import Address, Machine, Role, parse_machine
from softctl.values.tables import Table

HEAD = """\
name: tank
programs: [tank.st]
cards:
  AI_1: {kind: analog input, channels: 4}
  DI_1: {kind: digital input, channels: 8}
points:
  LT_1: {card: AI_1, wired: T_1.level, unit: m, range: [0, 2]}
  TT_1: {card: AI_1, wired: T_1.temperature, unit: degC, range: [0, 100]}
  LSH_1: {card: DI_1, wired: T_1.high}
  COUNT: {role: state, type: INT}
  START: {role: command}
"""


def read(text: str) -> Machine:
    return parse_machine(HEAD + text, "machine.yaml")


def complaints(text: str) -> list[str]:
    with pytest.raises(ProblemsError) as caught:
        read(text)
    return [f"{p.place.line}:{p.place.column} {p.message}" for p in caught.value.problems]


def test_a_limit_becomes_conditions_with_a_deadband() -> None:
    """A high and a low limit clear by the deadband inside of the limit (ISA-18.2)."""
    alarms = read(
        "alarms:\n"
        "  LAH_1: {point: LT_1, above: 180 cm, deadband: 50 mm, on_delay: 2 s, priority: high}\n"
        "  LAL_1: {point: LT_1, below: 0.2 m, deadband: 0.05 m}\n"
        "  TAH_1: {point: TT_1, above: 80 degC, deadband: 2}\n"
        "  MANY: {point: COUNT, above: 7}\n"
    ).alarms
    found = {
        name: (alarm.raised.value, alarm.stays and alarm.stays.value)
        for name, alarm in alarms.items()
    }
    assert found == {
        "LAH_1": ("LT_1 > 1.8", "LT_1 > 1.75"),
        "LAL_1": ("LT_1 < 0.2", "LT_1 < 0.25"),
        "TAH_1": ("TT_1 > 80.0", "TT_1 > 78.0"),
        "MANY": ("COUNT > 7", None),
    }
    rule = alarms["LAH_1"].rule
    assert (rule.priority, rule.on_delay_ns, rule.off_delay_ns) == (Priority.HIGH, 2 * 10**9, 0)


def test_a_condition_is_kept_as_written_with_its_place() -> None:
    """Expressions are the compiler's to check, at their place in the file."""
    machine = read(
        "alarms:\n"
        "  LSHH:\n"
        "    when: LSH_1 AND COUNT > 3\n"
        "    suppressed_when: NOT LSH_1\n"
        "    ending: reset\n"
        "guards:\n"
        "  DRY: {never: LSH_1 AND LT_1 < 0.1}\n"
        "  ANSWER: {within: 2 s, of: LSH_1, expect: COUNT > 0}\n"
    )
    alarm = machine.alarms["LSHH"]
    assert alarm.rule.ending is Ending.RESET
    assert (alarm.raised.value, alarm.raised.place.line, alarm.raised.place.column) == (
        "LSH_1 AND COUNT > 3",
        14,
        11,
    )
    assert alarm.suppressed is not None
    assert alarm.suppressed.value == "NOT LSH_1"
    never, answer = machine.guards.values()
    assert (never.condition.value, never.expected) == ("LSH_1 AND LT_1 < 0.1", None)
    assert answer.expected is not None
    assert answer.within_ns == 2 * 10**9


def test_alarms_have_points_behind_the_machines_own() -> None:
    """A bit and a state for each, and the registers through which an HMI acts on them."""
    machine = read("alarms:\n  A: {when: LSH_1}\n  B: {when: LSH_1}\n")
    own = [p.hmi for p in machine.points.values() if p.name in ("LT_1", "TT_1", "COUNT")]
    places = {
        name: machine.points[name].hmi for name in ("A", "B", "A_STATE", "B_STATE", "ALARM_REPLY")
    }
    assert machine.points["A"].role is Role.ALARM
    assert places["A"] is not None
    assert places["A"].table is Table.DISCRETE_INPUTS
    behind = [place.address for name, place in places.items() if place and "_" in name]
    assert min(behind) > max(place.address for place in own if place)
    assert machine.points["ALARM_REQUEST"].hmi is not None
    assert machine.points["ALARM_NUMBER"].high == 2
    assert "ALARM_REQUEST" not in read("").points


def test_an_alarm_keeps_its_address_when_points_are_added() -> None:
    """Alarm number n is discrete input and, as a state, input register 1000 + n."""
    alarms = "alarms:\n  A: {when: LSH_1}\n  B: {when: LSH_1}\n"
    more = "  MORE: {role: state, type: DINT}\n  LSL_1: {card: DI_1, wired: T_1.low}\n"
    before, after = read(alarms).points, read(more + alarms).points
    assert before["B"].hmi == after["B"].hmi == Address(Table.DISCRETE_INPUTS, 1_002)
    assert before["B_STATE"].hmi == after["B_STATE"].hmi == Address(Table.INPUT_REGISTERS, 1_002)
    assert before["ALARM_REQUEST"].hmi == after["ALARM_REQUEST"].hmi


def test_a_broken_point_is_one_error_and_not_the_alarms_too() -> None:
    """An alarm about a point that is declared wrongly has nothing to complain of."""
    text = HEAD.replace("range: [0, 2]", "range: [2, 0]")
    with pytest.raises(ProblemsError) as caught:
        parse_machine(text + "alarms:\n  A: {point: LT_1, above: 1 m}\n", "machine.yaml")
    (problem,) = caught.value.problems
    assert "expected a range whose first value is below" in problem.message


def test_the_demos_own_alarms_are_read() -> None:
    """Each says what to do, and they have the first four numbers."""
    machine = parse_machine(WHOLE, FILE)
    assert [alarm.rule.name for alarm in machine.alarms.values()] == [
        "FEED_FAIL",
        "BLEND_FAIL",
        "BATCH_HELD",
        "LAHH_101",
    ]
    assert all(alarm.rule.response for alarm in machine.alarms.values())
    assert machine.points["LAHH_101"].hmi == Address(Table.DISCRETE_INPUTS, 1_004)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("  A: {}", "13:3 expected 'when' with a condition, or 'point' with a limit in A"),
        ("  A: {when: LSH_1, above: 3}", "13:27 expected no 'above' beside 'when', got 3"),
        ("  A: {point: LT_2, above: 1 m}", "13:14 expected the name of a point, got 'LT_2'"),
        ("  A: {point: LSH_1, above: 1}", "13:14 expected a point with a number, not with a BOOL"),
        ("  A: {point: LT_1}", "13:3 expected either 'above' or 'below' in A"),
        ("  A: {point: LT_1, above: 1, below: 1}", "13:37 expected either 'above' or 'below'"),
        ("  A: {point: LT_1, above: 1 s}", "13:27 expected a length such as"),
        ("  A: {point: LT_1, above: 1, deadband: -1}", "13:40 expected a deadband that is not"),
        (
            "  A: {point: TT_1, above: 1, deadband: 2 degC}",
            "13:40 expected a plain number of degC, got '2 degC'",
        ),
        ("  START: {when: LSH_1}", "13:3 expected the name START to be free for an alarm's"),
        ("  SCAN_COUNT: {when: LSH_1}", "13:3 expected the name SCAN_COUNT to be free"),
        ("  A: {when: LSH_1, priority: urgent}", "13:30 expected low or medium or high"),
        ("  A: {when: LSH_1, on_delay: 5}", "13:30 expected a time from '0 ms' to"),
    ],
)
def test_a_wrong_alarm_is_told_with_its_place(text: str, complaint: str) -> None:
    """Each mistake has one message with what was expected and what came."""
    (found,) = complaints("alarms:\n" + text + "\n")
    assert found.startswith(complaint)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("{}", "expected 'never', or 'within', 'of' and 'expect' together, in G; got neither"),
        ("{never: LSH_1, of: LSH_1}", "got 'never', 'of'"),
        ("{within: 2 s, of: LSH_1}", "got 'within', 'of'"),
        ("{within: 0 s, of: LSH_1, expect: LSH_1}", "expected a time from '1 ms' to '86400 s'"),
    ],
)
def test_a_wrong_guard_is_told(text: str, complaint: str) -> None:
    """A guard is one of its two shapes and whole."""
    (found,) = complaints(f"guards:\n  G: {text}\n")
    assert complaint in found
