"""Forces that end by themselves, and another program while the machine runs."""

from __future__ import annotations

from pathlib import Path

import pytest
from test_control_watch import build
from virtual import VirtualMachine

from softctl.control import ForceChange
from softctl.errors import ProblemsError, SoftctlError
from softctl.logic import Application, Source
from softctl.machine import Machine
from softctl.runtime.folder import compile_programs, demo_folder

S = 1_000_000_000


SPOILED = "PROGRAM Spoil VAR zero : DINT; END_VAR zero := 1 / zero; END_PROGRAM"


def program(machine: Machine, more: str = "", *, chart: str = "Feed") -> Application:
    """The demo's program with another one behind it."""
    text = (demo_folder() / "feed.st").read_text(encoding="utf-8")
    renamed = text.replace("PROGRAM Feed", f"PROGRAM {chart}")
    return compile_programs(machine, [Source("feed.st", f"{renamed}\n{more}")])


def hold(machine: VirtualMachine, path: str, value: object, seconds: float) -> None:
    controller = machine.controller
    change = controller.forces.force(
        path, value, for_ns=int(seconds * S), now_ns=machine.now_ns, source="me", reason="why"
    )
    controller.watch.happenings.append(change)


def test_a_force_ends_by_itself_and_is_counted(tmp_path: Path) -> None:
    """It holds for its time and not a scan longer, on the map too; begin and end are told."""
    machine = build(tmp_path, "")
    hold(machine, "P_101_RUN", True, 2.0)
    start_ns = machine.now_ns
    values = machine.scan()
    assert (values["P_101_RUN"], values["FORCES"]) == (True, 1)
    machine.run_until(lambda v: v["P_101_RUN"] is False, 3)
    assert machine.now_ns - start_ns == 2 * S
    assert machine.scan()["FORCES"] == 0
    changes = [c for c in machine.controller.watch.happenings if isinstance(c, ForceChange)]
    assert [(c.what, c.source) for c in changes] == [("forced", "me"), ("expired", "")]


def test_a_second_force_replaces_the_first(tmp_path: Path) -> None:
    """Same variable in other capitals: one force, with the later value and end."""
    machine = build(tmp_path, "")
    hold(machine, "LT_101", 0.5, 1.0)
    hold(machine, "lt_101", 0.75, 5.0)
    machine.run_until(lambda v: v["LT_101"] == 0.75, 1)
    (force,) = machine.controller.forces.held
    assert (force.path, force.value) == ("LT_101", 0.75)
    machine.controller.forces.release("Lt_101", now_ns=machine.now_ns, source="me")
    assert machine.scan()["LT_101"] < 0.1


@pytest.mark.parametrize(
    ("path", "value", "seconds", "message"),
    [
        ("LT_109", 1.0, 5, "expected a program or global variable, got LT_109"),
        ("LT_101", "wet", 5, "expected a value of type REAL, got 'wet'"),
        ("LT_101", 1.0, 0, "expected a time above 0 and up to 28800 s"),
        ("LT_101", 1.0, 28_801, "expected a time above 0 and up to 28800 s"),
    ],
)
def test_a_force_that_cannot_be_is_refused(
    tmp_path: Path, path: str, value: object, seconds: float, message: str
) -> None:
    """Nothing is forced, and the message says what was expected."""
    machine = build(tmp_path, "")
    with pytest.raises(SoftctlError, match=message):
        hold(machine, path, value, seconds)
    assert machine.scan()["FORCES"] == 0
    with pytest.raises(SoftctlError, match="forced variable \\(nothing is\\), got LT_101"):
        machine.controller.forces.release("LT_101", now_ns=0, source="me")


def test_a_program_that_fails_ends_every_force(tmp_path: Path) -> None:
    """A stopped controller holds nothing."""
    machine = build(tmp_path, "")
    broken = program(machine.controller.machine, SPOILED)
    machine.controller.change(broken)
    hold(machine, "P_101_RUN", True, 60)
    values = machine.run_until(lambda v: v["PROGRAM_FAULT"] is True, 1)
    assert machine.controller.forces.held == []
    assert values["P_101"] is False


def test_a_changed_program_goes_on_in_its_step(tmp_path: Path) -> None:
    """Stirring goes on, with its time, forces and alarms; what changed is in force at once."""
    machine = build(tmp_path)
    machine.command("START")
    machine.run_until(lambda v: v["A_101"] is True, 400)
    hold(machine, "ZSO_101", True, 3600)
    before = machine.scan()
    elapsed = machine.controller.instance.read("Feed.Stirring.T")
    alarms = machine.controller.watch.board.revision
    machine.controller.watch.happenings.clear()
    more = "PROGRAM Extra BATCHES := 77; END_PROGRAM"
    taken = machine.controller.change(program(machine.controller.machine, more))
    assert taken.reset == taken.gone == []
    after = machine.scan()
    assert after["BATCHES"] == 77
    assert after["FEED_STEP"] == before["FEED_STEP"]
    assert after["FORCES"] == 1
    assert machine.controller.instance.read("Feed.Stirring.T") == elapsed + machine.period_ns
    assert machine.controller.watch.board.revision == alarms
    assert not machine.controller.watch.happenings, "alarms notice nothing"


def test_a_change_mends_a_program_that_failed(tmp_path: Path) -> None:
    """The new version runs, and the outputs are its again."""
    machine = build(tmp_path, "")
    controller = machine.controller
    controller.change(program(controller.machine, SPOILED))
    machine.run_until(lambda v: v["PROGRAM_FAULT"] is True, 1)
    controller.change(program(controller.machine))
    assert machine.scan()["PROGRAM_FAULT"] is False
    machine.command("START")
    machine.run_until(lambda v: v["P_101"] is True, 10)


def test_a_version_that_does_not_fit_the_machine_is_refused(tmp_path: Path) -> None:
    """A chart that the map shows, and what an alarm looks at, have to be there."""
    machine = build(tmp_path)
    with pytest.raises(ProblemsError, match="expected a program with a sequence chart"):
        program(machine.controller.machine, chart="Food")
