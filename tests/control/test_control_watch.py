"""Alarms and guards of a running controller, and what an HMI does about them."""

from __future__ import annotations

from pathlib import Path

import pytest
from virtual import VirtualMachine

from softctl.alarms import AlarmChange
from softctl.control import GuardBreach
from softctl.control.alarm_desk import DONE, REFUSED
from softctl.errors import ProblemsError
from softctl.image import Side, point_setter
from softctl.runtime.folder import demo_folder, load_folder

WATCHED = """
alarms:
  LAH_101: {text: Day tank high, point: LT_101, above: 1.0 m, deadband: 0.1 m, on_delay: 1 s}
  FILLING: {when: Feed.Feeding AND P_101_RUN, ending: reset}
  QUIET: {when: P_101, suppressed_when: RUNNING}
guards:
  ONE_WAY: {text: never in and out at once, never: P_101 AND XV_101}
  ANSWER: {within: 500 ms, of: P_101, expect: P_101_RUN}
"""


def build(tmp_path: Path, extra: str = WATCHED) -> VirtualMachine:
    for source in demo_folder().iterdir():
        if source.is_file():
            text = source.read_text(encoding="utf-8")
            own, _, rest = text.partition("\nalarms:")
            text = own + "\n" + rest[rest.index("\npoints:") :] if rest else text
            more = extra if source.name == "machine.yaml" else ""
            (tmp_path / source.name).write_text(text + more, encoding="utf-8")
    machine = VirtualMachine(load_folder(tmp_path))
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
