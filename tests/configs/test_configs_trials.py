"""The written trials of every folder pass, are complete, and reject bad programs."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from softctl.runtime.folder import configs_folder, load_folder
from softctl.runtime.trials import load_trials, run_trials
from softctl.trial import model
from softctl.trial.result import Result


def ignored(_: Result) -> None:
    """Nobody watches the progress."""


FOLDERS = ("glasshouse_feed", "sump_station", "wash_skid")


@pytest.mark.parametrize("name", FOLDERS)
def test_every_trial_passes(name: str) -> None:
    """All trials of the folder as it comes."""
    found = load_trials(load_folder(configs_folder() / name))
    report = run_trials(found, found.choose(()), ignored)
    assert not report.failures, [result.trial.name for result in report.failures]


@pytest.mark.parametrize("name", FOLDERS)
def test_every_fault_of_every_instrument_is_tried(name: str) -> None:
    """At least a dozen trials, and a row for each fault that an instrument can have."""
    folder = load_folder(configs_folder() / name)
    trials = [trial for _, trial in load_trials(folder).trials()]
    assert len(trials) >= 12
    tried = {
        (row.fault.equipment, row.fault.name)
        for trial in trials
        for row in trial.rows
        if isinstance(row, model.Break)
    }
    plant = folder.build_plant()
    wanted = {
        (equipment.name, fault)
        for equipment in folder.machine.equipment.values()
        if equipment.type.endswith(("_switch", "_transmitter"))
        for fault in plant.faults(equipment.name)
    }
    assert wanted
    assert wanted <= tried


BAD = [
    # No guard over the upper switch: a switch that never reads full lets the tank overflow.
    ("glasshouse_feed", "feed.st", "LT_101 >= TOP_LEVEL AND", "FALSE AND", "lsh_101_stuck"),
    # A batch off its recipe goes to the plants.
    ("glasshouse_feed", "feed.st", "NOT A_101_RUN AND OFF_SPEC", "FALSE", "lost_pump"),
    # Stirred for a time only, whether it helps or not.
    ("glasshouse_feed", "feed.st", ">= STIR_TIME AND EVEN", ">= STIR_TIME", "agitator_trips"),
    # The outlet is not proved shut before anything is fed.
    ("glasshouse_feed", "feed.st", "ZSC_101 AND NOT ZSO_101", "TRUE", "no_closed_feedback"),
    # Pumps never alternate.
    ("sump_station", "station.st", "DUTY := 3 - DUTY", "DUTY := DUTY", "alternation"),
    # A failed pump keeps the duty.
    ("sump_station", "station.st", "ELSIF duty_is_out THEN", "ELSIF FALSE THEN",
     "pump_201_trips"),
    # The pump that comes back takes over again at once.
    ("sump_station", "station.st", "IF NOT emptying THEN\n    stands_in",
     "IF NOT emptying OR reset_pulse.Q THEN\n    stands_in", "reset_while_the_standby_runs"),
    # The high float only rings.
    ("sump_station", "station.st", "IF flooding THEN", "IF FALSE THEN", "level_stuck"),
    # The pumps fail while nothing is known of them.
    ("sump_station", "station.st", " AND NOT blind", "", "lost_link"),
    # Heat without flow.
    ("wash_skid", "guards.st", "HeatWanted AND LSL_301 AND Flowing AND P_301 AND",
     "HeatWanted AND LSL_301 AND P_301 AND", "flow_drift"),
    # Heat without level.
    ("wash_skid", "guards.st", "PumpWanted AND LSL_301 AND", "PumpWanted AND",
     "low_float_broken_wire"),
    # The hold time counts whatever the temperature is.
    ("wash_skid", "wash.st", "Flowing AND TT_301 >= WASH_TEMP - BAND", "Flowing",
     "hold_begins_anew"),
    # Water without a look at the high float.
    ("wash_skid", "guards.st", "NOT LSH_301 AND", "", "level_stuck"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "file", "good", "bad", "trial"), BAD)
def test_a_bad_program_is_rejected(
    tmp_path: Path, name: str, file: str, good: str, bad: str, trial: str
) -> None:
    """One change for the worse in the program, and the trial that is there for it fails."""
    shutil.copytree(configs_folder() / name, tmp_path / name)
    path = tmp_path / name / file
    text = path.read_text(encoding="utf-8")
    assert text.count(good) == 1
    path.write_text(text.replace(good, bad), encoding="utf-8")
    found = load_trials(load_folder(tmp_path / name))
    assert run_trials(found, found.choose([trial]), ignored).failures


GUARDED = [
    ("glasshouse_feed", "feed.st", "LT_101 >= TOP_LEVEL AND", "FALSE AND", "lsh_101_stuck",
     "NO_OVERFILLING"),
    ("glasshouse_feed", "feed.st", "  XV_101(N);", "  XV_101(N); P_101(N);", "one_batch",
     "SHUT_WHILE_FED"),
    ("glasshouse_feed", "feed.st", "  A_101(N);", "  A_101(N); P_102(N);", "one_batch",
     "STILL_WHILE_FED"),
    # The pump that comes back and the one that stands in, both for a scan.
    ("sump_station", "station.st", "emptying AND NOT leads_with_2", "emptying AND NOT others_turn",
     "reset_while_the_standby_runs", "ONE_IS_ENOUGH"),
    ("sump_station", "station.st", "IF flooding THEN", "IF FALSE THEN", "level_stuck",
     "FLOOD_IS_PUMPED"),
    ("sump_station", "station.st", "IF NOT wet OR NOT RUNNING", "IF NOT RUNNING",
     "low_float_broken_wire", "NOT_DRY"),
    ("wash_skid", "guards.st", "HeatWanted AND LSL_301 AND Flowing AND P_301 AND",
     "HeatWanted AND LSL_301 AND P_301 AND", "flow_drift", "NO_HEAT_WITHOUT_FLOW"),
    ("wash_skid", "guards.st", "NOT LSH_301 AND", "", "level_stuck", "FULL_IS_FULL"),
    ("wash_skid", "guards.st", "DrainWanted AND NOT XV_303", "(DrainWanted OR ReturnWanted)",
     "pump_trips", "RETURN_OR_DRAIN"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "file", "good", "bad", "trial", "guard"), GUARDED)
def test_a_bad_program_breaks_a_guard(
    tmp_path: Path, name: str, file: str, good: str, bad: str, trial: str, guard: str
) -> None:
    """What must never be is seen in a trial that is about something else."""
    shutil.copytree(configs_folder() / name, tmp_path / name, ignore=shutil.ignore_patterns("tr*"))
    path = tmp_path / name / file
    text = path.read_text(encoding="utf-8")
    assert text.count(good) == 1
    path.write_text(text.replace(good, bad), encoding="utf-8")
    (tmp_path / name / "trials").mkdir()
    (tmp_path / name / "trials" / "one.yaml").write_text("trials:\n" + text_of(name, trial))
    found = load_trials(load_folder(tmp_path / name))
    report = run_trials(found, found.choose(()), ignored)
    told = [event.what for event in report.results[0].events]
    assert any(what.startswith(f"guard {guard} broken") for what in told), told
    assert report.failures


def text_of(name: str, trial: str) -> str:
    """One trial's lines."""
    files = (configs_folder() / name / "trials").glob("*.yaml")
    texts = (re.search(rf"^  {trial}:\n(?:    .*\n|\n)+", f.read_text(), re.M) for f in files)
    return next(found[0] for found in texts if found)
