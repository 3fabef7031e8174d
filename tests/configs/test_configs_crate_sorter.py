"""The crate sorter: an hour of sorting, its trials, and programs that these must reject."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from folders import CONFIGS, at_step
from virtual import VirtualMachine

from softctl.runtime.folder import MachineFolder, load_folder
from softctl.runtime.trials import load_trials, run_trials
from softctl.trial.report import Report
from softctl.trial.result import Result

NAME = "crate_sorter"
BIN_FULL = 10


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(CONFIGS / NAME)


def trials(folder: MachineFolder, *names: str) -> Report:
    """Runs trials of a folder, all or those named."""
    loaded = load_trials(folder)
    heard: list[Result] = []
    return run_trials(loaded, loaded.choose(names), heard.append)


def failed(report: Report) -> list[str]:
    """The names of the trials that did not pass."""
    return sorted(one.trial.name for one in report.results if not one.passed)


def test_an_hour_of_crates(folder: MachineFolder) -> None:
    """In a simulated hour every bad crate ends in the reject bin, and no good one does."""
    line = VirtualMachine(folder)
    line.scan()
    line.command("START")
    plant = line.device.plant
    message = line.controller.instance.reader(["MESSAGE"])
    while line.now_ns < 3600 * 10**9:
        line.next_scan()
        (number,) = message()
        assert number in (0, BIN_FULL), line.now_ns / 1e9
        if number:
            line.command("TIP_BIN")
    good, bad, made = (
        plant.reader([f"{name}.received", f"{name}.defective", f"{name}.{more}"])()
        for name, more in (("K_301", "heaviest"), ("R_301", "emptied"), ("K_301", "lightest"))
    )
    received, defective, heaviest = good
    assert defective == 0
    assert received > 100
    assert heaviest <= 13
    assert made[2] >= 11
    received, defective, emptied = bad
    assert received == defective > 12
    assert emptied > 0
    # No crate is anywhere else than in a bin or on the way.
    on_the_way = len(plant.parts())
    ended = plant.read("K_301.received") + plant.read("R_301.received")
    assert plant.read("CS_301.made") == ended + on_the_way
    assert on_the_way <= 8
    values = line.controller.values()
    assert values["GUARDS_BROKEN"] == 0
    assert values["PASSED"] == pytest.approx(plant.read("K_301.received"), abs=1)
    assert values["REJECTED"] == plant.read("R_301.received")


def test_each_crate_has_its_way(folder: MachineFolder) -> None:
    """The trace of each crate is that of the belts, and ends in the bin of its weight."""
    line = VirtualMachine(folder)
    trace = line.device.plant.trace_parts()
    line.scan()
    line.command("START")
    while line.now_ns < 420 * 10**9:
        line.next_scan()
    ends = {"K_301": 0, "R_301": 0}
    for number, part in trace.parts.items():
        ways = [move.where for move in trace.moves(number)]
        if part.where in ends:
            ends[part.where] += 1
            assert [way for way in ways if way != "X_301"] == [
                "B_301",
                "B_302",
                "B_303",
                part.where,
            ]
            assert (part.where == "K_301") is (11 <= part.weight_kg <= 13)
    assert min(ends.values()) >= 1


def test_its_trials_pass(folder: MachineFolder) -> None:
    """Every trial passes."""
    report = trials(folder)
    assert len(report.results) > 90
    assert failed(report) == []


def test_every_fault_has_a_trial(folder: MachineFolder) -> None:
    """Each fault of each piece of equipment stands in a trial; the others are said here."""
    plant = folder.build_plant()
    known = {(name, fault) for name in folder.machine.equipment for fault in plant.faults(name)}
    text = "".join(path.read_text() for path in (folder.path / "trials").glob("*.yaml"))
    untried = {one for one in known if f"fault: {' '.join(one)}\n" not in text}
    # The palletiser has no eyes that are wired, and crates taken off the infeed are not missed.
    eyes = ("broken wire", "dirty lens", "wrong contact sense")
    expected = {("K_301", name) for name in (*eyes, "no inlet feedback", "dirty inlet lens")}
    assert untried == expected | {("B_301", "parts taken off")}


WRONG = {
    "limits the wrong way round": (
        "weigh.st",
        "WEIGHT < MIN_WEIGHT",
        "WEIGHT > MIN_WEIGHT",
        ["good_crates_pass"],
    ),
    "no verdict taken for a good one": (
        "sort.st",
        "crates[i].sort_as <> InLimits",
        "crates[i].sort_as > InLimits",
        ["wt_301_drift_at_once"],
    ),
    "the belt goes on when the switch says so": (
        "sort.st",
        "Returning.T >= LEAST_BACK AND ZSC_301",
        "ZSC_301",
        ["y_301_retracted_switch_shorted_late"],
    ),
    "no wait for the bin": (
        "sort.st",
        "AND NOT R_301_FULL AND",
        "AND",
        ["full_bin"],
    ),
    "a moving belt below the plate": (
        "sort.st",
        "M_303 := sorting;",
        "M_303 := RUNNING AND fault = 0;",
        ["bad_crates_are_pushed_off"],
    ),
    "no start warning": (
        "line.st",
        "WARNING_TIME : TIME := T#3s",
        "WARNING_TIME : TIME := T#0s",
        ["start_and_stop"],
    ),
    "a crate is weighed that overhangs the scale": (
        "weigh.st",
        "RUNNING AND Weighing.X AND PE_306",
        "FALSE",
        ["pe_306_dirty_while_weighing"],
    ),
    "a lost crate is not missed": (
        "weigh.st",
        "noted(weigh_fault, taking_time.Q, CRATE_LOST + 2)",
        "weigh_fault",
        ["pe_302_misaligned"],
    ),
    "places not set right": (
        "sort.st",
        "crates[n].began := way - (EYE_4 - EYE_3);",
        "crates[n].began := way;",
        ["bad_crates_are_pushed_off", "good_crates_pass"],
    ),
    "no stop in the warning": (
        "line.st",
        "FROM Warning TO Idle := STOP OR NOT ready;",
        "FROM Warning TO Idle := FALSE;",
        ["start_and_stop"],
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_program_is_rejected(tmp_path: Path, name: str) -> None:
    """The trials that are about it do not pass with a program that does it wrongly."""
    file, old, new, about = WRONG[name]
    target = tmp_path / NAME
    shutil.copytree(CONFIGS / NAME, target)
    for path in (target / "trials").iterdir():
        if not any(f"  {trial}:" in path.read_text() for trial in about):
            path.unlink()
    text = (target / file).read_text()
    assert text.count(old) == 1
    (target / file).write_text(text.replace(old, new))
    assert failed(trials(load_folder(target), *about)) == sorted(about)


def test_the_step_does_not_matter(folder: MachineFolder) -> None:
    """Crates and pusher, driven by the clock, are alike at 1 and at 50 ms.

    Places agree to 0.1 % of the sorting belt's length, 3.6 mm.
    """
    ends = []
    for milliseconds in (1, 50):
        plant = at_step(folder, milliseconds)
        for motor in ("M_301", "M_302", "M_303"):
            plant.write(f"{motor}.run", True)
        push = plant.writer(["Y_301.extend"])
        for second in range(120):
            push([second % 11 == 0])
            for _ in range(1000 // milliseconds):
                plant.step()
        eyes = [f"PE_30{i}.changed_at_s" for i in range(1, 6)]
        ends.append(
            [
                *plant.reader(["R_301.received", "K_301.received", "CS_301.made"])(),
                *(part.place_m for part in plant.parts()),
                *plant.reader([*eyes, "WT_301.signal"])(),
            ]
        )
    assert ends[0][:3] == ends[1][:3]
    assert ends[0][3:-1] == pytest.approx(ends[1][3:-1], abs=0.0036)
    assert ends[0][-1] == pytest.approx(ends[1][-1], abs=0.02)
