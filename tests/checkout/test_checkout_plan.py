"""Every point of every map has its steps, with values that tell right from wrong."""

from __future__ import annotations

from pathlib import Path

import pytest
from hmi_program import CHARTS, MACHINE

from softctl.checkout import Answer, choose_steps, make_plan
from softctl.checkout.judge import resolution
from softctl.checkout.stage import Stage
from softctl.checkout.values import check_values, entry_values, rest_value
from softctl.control.hmi import HmiMap
from softctl.errors import SoftctlError
from softctl.image import Side, point_reader
from softctl.machine import Machine, Role, parse_machine
from softctl.machine.read_values import read_value
from softctl.runtime.folder import configs_folder, read_machine

TYPES = parse_machine(
    """
name: types
programs: [main.st]
hmi: {port: 15021, unit: 1, word_order: ABCD}
points:
  DAY: {role: setpoint, type: DATE, initial: 2026-11-25, range: [2026-01-01, 2026-12-31]}
  HOUR: {role: setpoint, type: TOD}
  MOMENT: {role: state, type: DT}
  SHORT: {role: state, type: SINT}
  BITS: {role: state, type: WORD}
  WIDE: {role: state, type: ULINT}
  LETTER: {role: setpoint, type: CHAR}
  TINY: {role: setpoint, type: 'STRING[3]'}
  SPAN: {role: setpoint, type: TIME, range: [0 s, 2 s]}
  FEW: {role: setpoint, type: INT, range: [1, 3], initial: 1}
  SWITCH: {role: setpoint, type: BOOL, initial: true}
  LONG: {role: state, type: LREAL, range: [-1, 1]}
""",
    "machine.yaml",
)
MACHINES = {"mixer": MACHINE, "types": TYPES} | {
    path.name: read_machine(path) for path in sorted(configs_folder().iterdir()) if path.is_dir()
}


def plan(machine: Machine):
    charts = {p.chart.upper(): ["First", "Second"] for p in machine.points.values() if p.chart}
    return make_plan(machine, charts)


@pytest.mark.parametrize("name", MACHINES)
def test_every_point_has_steps_whose_values_the_map_can_hold(name: str) -> None:
    """What is put into the bank is what comes out of it: no step asks for the impossible."""
    machine = MACHINES[name]
    steps = plan(machine)
    assert {s.point for s in steps} == {n for n, p in machine.points.items() if p.hmi}
    assert len({step.id for step in steps}) == len(steps)
    hmi = HmiMap(machine)
    stage = Stage(machine, hmi)
    points = [point for point in machine.points.values() if point.hmi is not None]
    read = point_reader(hmi.bank, machine, points, Side.HMI, wired=True)
    for step in steps:
        stage.put(step.puts)
        found = dict(zip((point.name for point in points), read(), strict=True))
        for point, value in step.puts.items():
            count = resolution(machine.points[point])
            wanted = value if isinstance(value, str) else pytest.approx(value, rel=1e-6, abs=count)
            assert found[point] == wanted, step.id


@pytest.mark.parametrize("name", MACHINES)
def test_ranges_are_put_at_their_ends_quarters_and_an_odd_value(name: str) -> None:
    """Within the range, all different, the odd one at no quarter; both states of a BOOL."""
    for point in MACHINES[name].points.values():
        if point.hmi is None or isinstance(rest_value(point), str):
            continue
        values = dict(check_values(point))
        assert len(set(values.values())) == len(values) >= 2
        if point.type.name == "BOOL":
            assert values == {"on": True, "off": False}
        elif point.low is not None:
            assert values["0%"] == point.low
            assert values["100%"] == pytest.approx(point.high)
            slack = 1e-6 * max(abs(point.low), abs(point.high))  # a REAL's rounding
            for value in values.values():
                assert point.low - slack <= value <= point.high + slack


def test_few_values_are_asked_for_once() -> None:
    """A range of three whole numbers has no odd one."""
    assert dict(check_values(TYPES.points["FEW"])) == {"0%": 1, "50%": 2, "100%": 3}


def test_what_is_to_be_entered_is_not_there_already() -> None:
    """Many HMIs write nothing when the value stands there."""
    for machine in MACHINES.values():
        for step in plan(machine):
            if step.operation is None or machine.points[step.point].role is not Role.SETPOINT:
                continue
            main = machine.points[step.operation.main]
            before = step.puts.get(main.name, rest_value(main))
            assert before != step.operation.value, step.id


def test_dates_and_texts_are_in_the_plan() -> None:
    """Whole days, times with seconds, texts that fill their registers."""
    by_id = {step.id: step for step in plan(TYPES)}
    assert by_id["DAY:25%"].shown == "2026-04-02"
    assert by_id["HOUR:odd"].shown == "13:47:25"
    assert by_id["MOMENT:other"].answer is Answer.DATE
    assert by_id["TINY:odd"].expected == "Pum"
    assert len(dict(check_values(MACHINE.points["LABEL"]))["full"]) == 12
    assert read_value("2 s", TYPES.points["SPAN"].type, "") == by_id["SPAN:100%"].expected


def test_alarms_go_through_the_states_that_they_can_have() -> None:
    """A latching one has no confirmation, and the sums on the map agree with each state."""
    steps = [step for step in plan(MACHINE) if step.point == "LAH_1_STATE"]
    assert [step.expected for step in steps] == [0, 1, 2, 4, 5, 17, 18]
    latched = next(step for step in steps if step.expected == 4)
    assert latched.puts["ALARMS_WAITING"] == 1
    assert latched.puts["LAH_1"] is False
    acts = [step.id for step in plan(MACHINE) if step.point.startswith("ALARM_")]
    assert acts[:2] == ["ALARM_NUMBER:acknowledge-LAH_1", "ALARM_NUMBER:acknowledge-TAH_1"]
    assert "ALARM_REQUEST:reset-LAH_1" in acts
    assert "ALARM_REQUEST:confirm-TAH_1" in acts


@pytest.mark.parametrize(
    ("choice", "points"),
    [
        ({"names": ["lt_1"]}, {"LT_1"}),
        ({"names": ["?T_1"]}, {"LT_1", "TT_1", "PT_1"}),
        ({"names": ["LT_1:50%", "START"]}, {"LT_1", "START"}),
        ({"roles": ["command"]}, {"START", "HAND", "UP", "DOWN"}),
        ({"cards": ["DI_*"]}, {"LSH_1", "ZSC_1"}),
        ({"names": ["*_1"], "cards": ["AI_1"]}, {"LT_1", "TT_1", "PT_1"}),
    ],
)
def test_steps_are_chosen_by_name_role_and_card(choice: dict, points: set[str]) -> None:
    """Patterns, in capitals or not; all that is given has to fit."""
    chosen = choose_steps(make_plan(MACHINE, CHARTS), MACHINE, **choice)
    assert {step.point for step in chosen} == points


@pytest.mark.parametrize(
    ("choice", "message"),
    [
        ({"names": ["LT_2"]}, "expected a point of the HMI map .*got LT_2; did you mean LT_1"),
        ({"roles": ["comand"]}, "expected a role .*got comand; did you mean command"),
        ({"cards": ["X"]}, "expected a card of the HMI map \\(AI_1, DI_1\\), got X"),
        ({"names": ["START"], "cards": ["AI_1"]}, "all the choices together name, got none"),
    ],
)
def test_a_choice_of_nothing_is_told(choice: dict, message: str) -> None:
    """With what there is, and what was probably meant."""
    with pytest.raises(SoftctlError, match=message):
        choose_steps(make_plan(MACHINE, CHARTS), MACHINE, **choice)


def test_the_demo_has_steps_that_its_screens_can_be_walked_by() -> None:
    """The machine's own points come first, system points last."""
    steps = plan(read_machine(Path(configs_folder() / "glasshouse_feed")))
    assert steps[0].id == "LSL_101:on"
    assert steps[-1].point == "JOURNAL_FAULT"


def test_an_entry_has_two_values() -> None:
    """One alone could be right by chance."""
    assert [name for name, _ in entry_values(MACHINE.points["SPEED"])] == ["enter-odd", "enter-75%"]
    assert [name for name, _ in entry_values(TYPES.points["SWITCH"])] == ["enter-on", "enter-off"]
