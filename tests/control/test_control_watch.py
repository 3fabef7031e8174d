"""Alarms and guards of a running controller, and what an HMI does about them."""

from __future__ import annotations

from math import copysign
from pathlib import Path

import pytest
from virtual import VirtualMachine

from softctl.alarms import AlarmChange
from softctl.control import ForceChange, GuardBreach
from softctl.control.alarm_desk import DONE, REFUSED
from softctl.errors import ProblemsError, SoftctlError
from softctl.image import Side, point_setter
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder

WATCHED = """
alarms:
  LAH_101: {text: Day tank high, point: LT_101, above: 1.0 m, deadband: 0.1 m, on_delay: 1 s}
  FILLING: {when: Feed.Feeding AND P_101_RUN, ending: reset}
  QUIET: {when: P_101, suppressed_when: RUNNING}
guards:
  ONE_WAY: {text: never in and out at once, never: P_101 AND XV_101}
  ANSWER: {within: 500 ms, of: P_101, expect: P_101_RUN}
"""


def write(tmp_path: Path, extra: str) -> MachineFolder:
    """The demo with other alarms and guards than its own."""
    for source in demo_folder().iterdir():
        if source.is_file():
            text = source.read_text(encoding="utf-8")
            own, _, rest = text.partition("\nalarms:")
            text = own + "\n" + rest[rest.index("\npoints:") :] if rest else text
            more = extra if source.name == "machine.yaml" else ""
            (tmp_path / source.name).write_text(text + more, encoding="utf-8")
    return load_folder(tmp_path)


def build(tmp_path: Path, extra: str = WATCHED) -> VirtualMachine:
    machine = VirtualMachine(write(tmp_path, extra))
    machine.scan()
    return machine


def ask(machine: VirtualMachine, request: int, number: int, shelf_ns: int = 10**9) -> int:
    """What an HMI does: writes the three registers; the reply after the next scan."""
    controller = machine.controller
    for name, value in (
        ("ALARM_NUMBER", number),
        ("ALARM_SHELF_TIME", shelf_ns),
        ("ALARM_REQUEST", request),
    ):
        point = controller.machine.points[name]
        point_setter(controller.hmi.bank, controller.machine, point, Side.HMI)(value)
    machine.scan()
    values = machine.scan()
    assert values["ALARM_REQUEST"] == 0
    reply = values["ALARM_REPLY"]
    assert isinstance(reply, int)
    return reply


def happened(machine: VirtualMachine) -> list[tuple[str, str]]:
    taken = []
    while machine.controller.watch.happenings:
        one = machine.controller.watch.happenings.popleft()
        what = one.event.value if isinstance(one, AlarmChange) else "broken"
        taken.append((one.name, what))
    return taken


def test_an_alarm_goes_from_the_level_to_the_map(tmp_path: Path) -> None:
    """The tank's level raises it after its delay, and the HMI reads bit, state and sums."""
    machine = build(tmp_path)
    machine.command("START")
    values = machine.run_until(lambda v: v["LT_101"] > 1.0, 400)
    assert values["LAH_101"] is False
    start_ns = machine.now_ns
    values = machine.run_until(lambda v: v["LAH_101"] is True, 5)
    # One scan more than the delay: points show what the scan before found.
    assert machine.now_ns - start_ns == 10**9 + machine.period_ns
    assert (values["LAH_101_STATE"], values["ALARMS_WAITING"]) == (1, 2)
    assert values["ALARMS_ACTIVE"] == 2


def test_an_hmi_acknowledges_each_alarm_once(tmp_path: Path) -> None:
    """A request is acted on in one scan, answered, and its register goes back to 0."""
    machine = build(tmp_path)
    machine.command("START")
    machine.run_until(lambda v: v["FILLING"] is True, 30)
    assert ask(machine, 1, 2) == DONE
    assert machine.controller.values()["FILLING_STATE"] == 2
    assert ask(machine, 1, 2) == REFUSED
    assert ask(machine, 3, 2) == REFUSED, "still active"
    assert happened(machine).count(("FILLING", "acknowledged")) == 1


def test_an_hmi_shelves_and_takes_out_of_service(tmp_path: Path) -> None:
    """Shelving ends by itself, service by another request; alarm 0 cannot be shelved."""
    machine = build(tmp_path)
    assert ask(machine, 4, 1, 2 * 10**9) == DONE
    assert machine.controller.values()["LAH_101_STATE"] == 17
    machine.run_until(lambda v: v["LAH_101_STATE"] == 0, 2.1)
    assert ask(machine, 6, 3) == DONE
    assert machine.controller.values()["QUIET_STATE"] == 18
    assert ask(machine, 7, 3) == DONE
    assert ask(machine, 4, 0) == REFUSED
    assert ask(machine, 1, 0) == REFUSED


def test_what_the_design_suppresses_is_not_announced(tmp_path: Path) -> None:
    """QUIET's condition holds while the feed runs, and so does what suppresses it."""
    machine = build(tmp_path)
    machine.command("START")
    machine.run_until(lambda v: v["P_101_RUN"] is True, 30)
    assert ("QUIET", "raised") not in happened(machine)
    assert machine.controller.values()["QUIET_STATE"] == 16


def test_a_broken_guard_keeps_what_led_to_it(tmp_path: Path) -> None:
    """A forced valve breaks the guard once; the breach holds every point of the last 10 s."""
    machine = build(tmp_path)
    machine.command("START")
    machine.run_until(lambda v: v["P_101"] is True, 30)
    machine.run_until(lambda v: v["LT_101"] > 0.3, 100)
    machine.controller.instance.force("XV_101", True)
    values = machine.run_until(lambda v: v["GUARDS_BROKEN"] == 1, 1)
    assert values["FORCES"] == 1
    (breach,) = [one for one in machine.controller.watch.happenings if isinstance(one, GuardBreach)]
    assert (breach.name, breach.text) == ("ONE_WAY", "never in and out at once")
    first_ns, last_ns = breach.trail[0][0], breach.trail[-1][0]
    assert last_ns == breach.at_ns
    assert last_ns - first_ns == 10 * 10**9
    column = breach.names.index("XV_101")
    assert [values[column] for _, values in breach.trail[-2:]] == [False, True]
    machine.run_until(lambda v: v["LT_101"] > 0.31, 100)
    assert machine.controller.watch.guards_broken == 1, "told once while it stays broken"


def test_a_timed_guard_waits_for_its_answer(tmp_path: Path) -> None:
    """A pump that does not answer within the time breaks it; one that does, does not."""
    machine = build(tmp_path)
    machine.command("START")
    machine.run_until(lambda v: v["P_101_RUN"] is True, 30)
    machine.run_until(lambda v: v["LT_101"] > 0.2, 100)
    assert machine.controller.watch.guards_broken == 0
    machine.controller.instance.force("P_101_RUN", False)
    since_ns = machine.now_ns + machine.period_ns
    machine.run_until(lambda v: v["GUARDS_BROKEN"] == 1, 2)
    assert machine.controller.watch.happenings[-1].at_ns - since_ns == 500 * 10**6


@pytest.mark.parametrize(
    ("extra", "complaint"),
    [
        ("alarms:\n  A: {when: P_109 AND P_102}\n", "expected a point or a program, got P_109"),
        ("alarms:\n  A: {when: LT_101}\n", "expected"),
        ("guards:\n  G: {never: P_101 AND}\n", "expected"),
        ("guards:\n  G: {never: Feed.Nothing}\n", "Nothing"),
    ],
)
def test_a_condition_that_does_not_compile_is_told_at_its_place(
    tmp_path: Path, extra: str, complaint: str
) -> None:
    """The compiler's complaint names the machine file's line and column."""
    with pytest.raises(ProblemsError) as caught:
        build(tmp_path, extra)
    (problem,) = caught.value.problems
    lines = (tmp_path / "machine.yaml").read_text(encoding="utf-8").split("\n")
    assert complaint in problem.message
    assert problem.place.line == len(lines) - 1
    assert problem.place.file.endswith("machine.yaml")


RESTING = """
alarms:
  LAH_101: {text: Day tank high, point: LT_101, above: 1.0 m, deadband: 0.1 m, on_delay: 1 s,
            off_delay: 2 s}
guards:
  ANSWER: {within: 500 ms, of: XV_101, expect: P_101_RUN}
"""
"""Of a machine on which nothing moves but what a test forces."""


@pytest.fixture(scope="module")
def resting(tmp_path_factory: pytest.TempPathFactory) -> MachineFolder:
    return write(tmp_path_factory.mktemp("resting"), RESTING)


def rest(folder: MachineFolder) -> VirtualMachine:
    machine = VirtualMachine(folder)
    for _ in range(100):
        machine.scan()
    return machine


def test_delays_and_answers_end_while_nothing_changes(resting: MachineFolder) -> None:
    """What a force began goes on by the time alone, and each thing is told at its scan."""
    machine = rest(resting)
    instance, watch = machine.controller.instance, machine.controller.watch
    start_ns = machine.now_ns + machine.period_ns
    for path, value in (("LT_101", 1.2), ("XV_101", True), ("P_101_RUN", False)):
        instance.force(path, value)
    for _ in range(60):
        machine.scan()
    instance.release("XV_101")
    machine.scan()
    instance.force("XV_101", True)
    instance.force("LT_101", 0.95)
    for _ in range(60):
        machine.scan()
    cleared_ns = machine.now_ns + machine.period_ns
    instance.force("LT_101", 0.8)
    for _ in range(60):
        machine.scan()
    told = [(one.name, one.at_ns) for one in watch.happenings if not isinstance(one, ForceChange)]
    assert told == [
        ("ANSWER", start_ns + 500 * 10**6),
        ("LAH_101", start_ns + 10**9),
        ("ANSWER", start_ns + 61 * machine.period_ns + 500 * 10**6),
        ("LAH_101", cleared_ns + 2 * 10**9),
    ]


def test_a_shelf_ends_while_nothing_changes(resting: MachineFolder) -> None:
    """An alarm that stands comes anew when its time on the shelf is over."""
    machine = rest(resting)
    machine.controller.instance.force("LT_101", 1.2)
    machine.run_until(lambda v: v["LAH_101"] is True, 2)
    board = machine.controller.watch.board
    board.shelve("LAH_101", 10**9, machine.now_ns, "somebody")
    end_ns = machine.now_ns + 10**9
    machine.controller.watch.happenings.clear()
    for _ in range(30):
        machine.scan()
    assert [(one.event.value, one.at_ns) for one in changes(machine)] == [
        ("unshelved", end_ns),
        ("raised", end_ns),
    ]


def test_another_program_is_looked_at_at_once(resting: MachineFolder) -> None:
    """After an online change and after a restart conditions are those of the new variables."""
    machine = rest(resting)
    controller = machine.controller
    controller.change(controller.application)
    controller.instance.force("LT_101", 1.2)
    machine.run_until(lambda v: v["LAH_101"] is True, 2)
    controller.stop(machine.now_ns, "somebody")
    controller.restart()
    machine.run_until(lambda v: v["LAH_101"] is False, 3)
    assert [one.event.value for one in changes(machine)] == ["raised", "cleared"]


def changes(machine: VirtualMachine) -> list[AlarmChange]:
    return [one for one in machine.controller.watch.happenings if isinstance(one, AlarmChange)]


def test_a_condition_without_a_value_is_told_in_every_scan(tmp_path: Path) -> None:
    """What divides by zero is an error again when nothing has changed since; the rest goes on."""
    machine = VirtualMachine(write(tmp_path, "alarms:\n  BAD: {when: 7 / BATCHES = 1}\n"))
    for _ in range(2):
        with pytest.raises(SoftctlError, match="cannot be computed: 7 / BATCHES = 1"):
            machine.controller.watch.scan(machine.now_ns)
    machine.controller.instance.write("BATCHES", 7)
    machine.controller.watch.scan(machine.now_ns)
    (change,) = changes(machine)
    assert (change.name, change.event.value) == ("BAD", "raised")


def test_a_trail_tells_a_zero_from_its_negative(resting: MachineFolder) -> None:
    """Equal numbers that are shown in two ways are kept as they were."""
    machine = rest(resting)
    instance = machine.controller.instance
    instance.force("CALCIUM", 0.0)
    machine.scan()
    instance.force("CALCIUM", -0.0)
    machine.scan()
    since_ns = machine.now_ns
    instance.force("XV_101", True)
    machine.run_until(lambda v: v["GUARDS_BROKEN"] == 1, 2)
    (breach,) = [one for one in machine.controller.watch.happenings if isinstance(one, GuardBreach)]
    column = breach.names.index("CALCIUM")
    negative_ns = [at for at, row in breach.trail if copysign(1.0, float(row[column])) < 0]
    assert negative_ns == list(range(since_ns, breach.at_ns + 1, machine.period_ns))


def test_a_trail_has_what_is_given_and_forced_at_its_scans(resting: MachineFolder) -> None:
    """Set points and figures are right in each scan, also where one force follows another."""
    machine = rest(resting)
    instance = machine.controller.instance
    steps = (
        lambda: machine.put("COND_LOW", 2.0),
        lambda: instance.force("COND_LOW", 5.0),
        lambda: instance.force("COND_LOW", 6.0),
        lambda: instance.release("COND_LOW"),
        lambda: machine.give(["STOP"]),
        lambda: None,
    )
    for step in steps:
        step()
        machine.scan()
    instance.force("XV_101", True)
    machine.run_until(lambda v: v["GUARDS_BROKEN"] == 1, 2)
    (breach,) = [one for one in machine.controller.watch.happenings if isinstance(one, GuardBreach)]
    row = dict(
        zip(breach.names, zip(*(values for _, values in breach.trail), strict=True), strict=True)
    )
    first = row["FORCES"].index(1)
    assert row["COND_LOW"][first - 1 : first + 5] == (2.0, 5.0, 6.0, 2.0, 2.0, 2.0)
    assert row["STOP"][first - 1 : first + 5] == (False, False, False, False, True, False)
    assert row["FORCES"][first - 1 : first + 5] == (0, 1, 1, 0, 0, 0)
    assert set(row["SCAN_COUNT"]) == set(range(row["SCAN_COUNT"][0], row["SCAN_COUNT"][-1] + 1))
