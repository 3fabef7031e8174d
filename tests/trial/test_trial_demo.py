"""The demo's own trials: they pass, and they reject programs that are wrong."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from softctl.runtime.folder import demo_folder, load_folder
from softctl.runtime.trials import load_trials, run_trials
from softctl.trial.report import Report

# A text of the program, another that is wrong, and the trial that has to reject it.
KNOWN_BAD = {
    "feeds onto an outlet not proved shut": ("ZSC_101 AND NOT ZSO_101", "TRUE", "one_batch"),
    "stirs beside a pump": ("NOT P_101_RUN AND NOT P_102_RUN", "TRUE", "feedbacks_that_stay"),
    "opens over the agitator": (":= NOT A_101_RUN;", ":= TRUE;", "feedbacks_that_stay"),
    "stirs for ever": ("Stirring.T >= STIR_TIME", "FALSE", "one_batch"),
    "reads the upper switch wrongly": (":= LSH_101", ":= NOT LSH_101", "one_batch"),
    "reads the lower switch wrongly": (":= NOT LSL_101", ":= LSL_101", "one_batch"),
    "does not count": ("  CountBatch(P);\n", "", "one_batch"),
    "forgets one pump": ("  P_102(N);\n", "", "one_batch"),
    "feeds on after STOP": (
        "FROM Feeding TO Idle := STOP OR",
        "FROM Feeding TO Idle :=",
        "stop_while_feeding",
    ),
    "starts again with the link": (
        "FROM Feeding TO Idle := STOP OR COMMS_ALARM",
        "FROM Feeding TO Idle := STOP",
        "field_link_lost",
    ),
    "discharges on after STOP": (
        "FROM Discharging TO Idle := STOP OR",
        "FROM Discharging TO Idle :=",
        "lower_switch_stuck",
    ),
}


def run(folder: Path, *names: str) -> Report:
    found = load_trials(load_folder(folder))
    return run_trials(found, found.choose(names), lambda _: None)


def test_the_program_passes() -> None:
    """The trials that the bad programs below are held against pass with the good one."""
    report = run(demo_folder(), *{trial for _, _, trial in KNOWN_BAD.values()})
    assert len(report.results) == 5
    assert not report.failures


@pytest.mark.parametrize("name", KNOWN_BAD)
def test_a_known_bad_program_is_rejected(name: str, tmp_path: Path) -> None:
    """A program with one thing wrong fails the trial that is about it."""
    folder = tmp_path / "machine"
    shutil.copytree(demo_folder(), folder)
    program = folder / "feed.st"
    text = program.read_text()
    before, after, trial = KNOWN_BAD[name]
    assert text.count(before) == 1
    program.write_text(text.replace(before, after))
    assert run(folder, trial).failures
