"""Programs that are stopped, fail, and start again; scans that are due."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from random import Random

import pytest
from test_control_watch import build
from virtual import VirtualMachine

from softctl.control import (
    ControlFault,
    Controller,
    ControlState,
    ForceChange,
    Releases,
    check_tasks,
)
from softctl.errors import SoftctlError
from softctl.logic import Source
from softctl.machine import Overrun, parse_machine
from softctl.runtime.folder import compile_programs

MS = 1_000_000
DAY_NS = 86_400_000 * MS
OUTPUTS = ("P_101", "P_102", "A_101", "XV_101")
COUNTING = """
name: counting
programs: [main.st]
control: {scan: 10 ms}
cards: {DO_1: {kind: digital output, channels: 8}}
points:
  LAMP: {card: DO_1, fail_safe: true}
  GO: {role: command}
  PACE: {role: setpoint, type: DINT, initial: 1, range: [1, 9]}
"""
MAIN = """
PROGRAM Main
VAR RETAIN kept : DINT := 100; list : ARRAY[1..2] OF REAL := [2(0.5)]; END_VAR
VAR fresh : DINT := 7; gone : BOOL; END_VAR
kept := kept + PACE; list[2] := list[2] + 1.0; fresh := fresh + 1; gone := gone OR GO;
LAMP := FALSE;
END_PROGRAM
"""


def counting() -> Controller:
    """A controller with RETAIN variables, on a healthy link."""
    machine = parse_machine(COUNTING, "machine.yaml")
    controller = Controller(machine, compile_programs(machine, [Source("main.st", MAIN)]))
    controller.link_healthy = True
    return controller


def running(tmp_path: Path) -> VirtualMachine:
    """The demo with its pumps on and a force on one of them."""
    machine = build(tmp_path, "")
    machine.scan()
    machine.command("START")
    machine.run_until(lambda v: bool(v["P_101"]), 30)
    machine.controller.forces.force(
        "P_102", True, for_ns=10**12, now_ns=machine.now_ns, source="me", reason="why"
    )
    return machine


def test_stopping_ends_forces_and_puts_outputs_at_fail_safe(tmp_path: Path) -> None:
    """At once and for good, on the map too; the machine stands still and nothing restarts it."""
    machine = running(tmp_path)
    assert machine.scan()["CONTROL_STATE"] == ControlState.RUNNING
    machine.controller.stop(machine.now_ns, "me")
    assert not any(machine.controller.values()[name] for name in OUTPUTS)
    changes = [c for c in machine.controller.watch.happenings if isinstance(c, ForceChange)]
    assert (changes[-1].what, changes[-1].source) == ("released", "me")
    machine.command("START")
    for _ in range(40):
        values = machine.scan()
        assert not any(values[name] for name in OUTPUTS)
        assert (values["CONTROL_STATE"], values["FORCES"], values["START"]) == (0, 0, False)
    before = values["HEARTBEAT"]
    assert machine.scan()["HEARTBEAT"] == before + 1, "the controller itself goes on"
    machine.controller.restart()
    for _ in range(40):
        values = machine.scan()
        assert values["CONTROL_STATE"] == ControlState.RUNNING
        assert not any(values[name] for name in OUTPUTS), "the START of before is not kept"
    machine.command("START")
    machine.run_until(lambda v: bool(v["P_101"]), 30)


def test_a_fault_of_the_controller_is_like_a_fault_of_a_program(tmp_path: Path) -> None:
    """Overruns and a hanging scan end in the same state, and a restart ends that."""
    machine = running(tmp_path)
    machine.controller.fail(ControlFault("too late"), machine.now_ns)
    values = machine.scan()
    assert (values["CONTROL_STATE"], values["PROGRAM_FAULT"], values["FORCES"]) == (2, True, 0)
    assert not any(values[name] for name in OUTPUTS)
    machine.controller.restart()
    assert machine.scan()["PROGRAM_FAULT"] is False


@pytest.mark.parametrize(("cold", "kept", "second"), [(False, 103, 3.5), (True, 100, 0.5)])
def test_warm_and_cold_restarts(cold: bool, kept: int, second: float) -> None:
    """Warm keeps RETAIN variables alone, cold none (IEC 61131-3); set points of an HMI stay."""
    controller = counting()
    controller.hmi.put("PACE", 1)
    controller.hmi.give(["GO"])
    for number in range(3):
        controller.scan(number * 10 * MS)
    assert controller.instance.read("Main.kept") == 103
    controller.stop(30 * MS, "me")
    controller.hmi.give(["GO"])
    controller.scan(30 * MS)
    assert controller.instance.read("Main.kept") == 103, "stopped programs do nothing"
    assert controller.values()["LAMP"] is True
    controller.hmi.put("PACE", 4)
    warm = controller.restart(cold=cold)
    assert warm.restored == (0 if cold else 3)
    read = controller.instance.read
    assert (read("Main.kept"), read("Main.list[2]"), read("Main.fresh")) == (kept, second, 7)
    controller.scan(40 * MS)
    assert (read("Main.kept"), read("Main.gone")) == (kept + 4, False)
    assert controller.values()["LAMP"] is False


def test_programs_that_run_are_not_restarted() -> None:
    """That would throw a running sequence away; a second stop does no harm."""
    controller = counting()
    with pytest.raises(SoftctlError, match="expected stopped programs to restart"):
        controller.restart()
    controller.stop(0, "me")
    controller.stop(0, "me")
    controller.restart()
    with pytest.raises(SoftctlError, match="got programs that run"):
        controller.restart()


def test_another_program_does_not_start_a_stopped_controller() -> None:
    """A changed program waits for the restart."""
    controller = counting()
    controller.stop(0, "me")
    changed = MAIN.replace("kept + PACE", "kept + 50")
    controller.change(compile_programs(controller.machine, [Source("main.st", changed)]))
    controller.scan(0)
    assert controller.state is ControlState.STOPPED
    assert controller.instance.read("Main.kept") == 100
    controller.restart()
    controller.scan(10 * MS)
    assert controller.instance.read("Main.kept") == 150


def test_releases_stay_on_their_grid_for_days() -> None:
    """Every instant is a whole number of periods, whatever scans took, and all are accounted."""
    draw, period_ns = Random(1), 30 * MS + 1
    releases = Releases(period_ns, Overrun.SKIP, 5)
    scans = overruns = 0
    while releases.due_ns < 3 * DAY_NS:
        assert releases.due_ns % period_ns == 0
        took_ns = draw.choice((0.2, 0.9, 0.999, 1, 2.5, 40, 9_000)) * period_ns
        overruns += releases.end(releases.due_ns + int(took_ns))
        scans += 1
    assert releases.due_ns == (scans + overruns + 1) * period_ns


def test_a_stretched_grid_goes_on_from_the_late_scan() -> None:
    """The scan after a late one follows at once, and the periods count from it."""
    releases = Releases(10 * MS, Overrun.STRETCH, 0)
    due = [releases.due_ns]
    counted = []
    for took_ms in (3, 14, 2, 25, 10, 9):
        counted.append(releases.end(releases.due_ns + took_ms * MS))
        due.append(releases.due_ns)
    assert [(later - earlier) // MS for earlier, later in pairwise(due)] == [10, 14, 10, 25, 10, 10]
    assert counted == [0, 1, 0, 2, 1, 0]


@pytest.mark.parametrize(("scan", "warned"), [("10 ms", ["Quick"]), ("5 ms", [])])
def test_a_task_that_is_due_more_often_than_scans_come_is_warned_of(
    scan: str, warned: list[str]
) -> None:
    """One warning for each such task, at its program."""
    machine = parse_machine(COUNTING.replace("scan: 10 ms", f"scan: {scan}"), "machine.yaml")
    tasks = """CONFIGURATION C RESOURCE R ON X
TASK Quick(INTERVAL := T#5ms); TASK Slow(INTERVAL := T#25ms); TASK Once(SINGLE := GO);
PROGRAM A WITH Quick : Main; PROGRAM B WITH Slow : Main; PROGRAM D : Main;
PROGRAM E WITH Once : Main; PROGRAM F WITH Quick : Main;
END_RESOURCE END_CONFIGURATION"""
    application = compile_programs(machine, [Source("main.st", f"{MAIN}{tasks}")])
    found = check_tasks(machine, application)
    assert [problem.message.split()[1] for problem in found] == warned
    assert all(p.severity == "warning" and p.place.file == "main.st" for p in found)
