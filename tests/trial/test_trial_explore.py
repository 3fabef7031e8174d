"""Explorations: random walks against guards, and proofs where the inputs are few."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from softctl.cli import main
from softctl.runtime.explorations import Explored, explore_folder
from softctl.runtime.folder import load_folder
from softctl.runtime.trials import load_trials, run_trials
from softctl.trial.explore import WALK_SCANS

MACHINE = """\
name: explored
title: A machine for explorations
description: No equipment at all
species: []
control: {scan: 50 ms, fail_safe_after: 500 ms}
plant: {step: 50 ms, seed: 7}
field: {host: 127.0.0.1, port: 15020, unit: 1, word_order: ABCD}
hmi: {host: 127.0.0.1, port: 15021, unit: 1, word_order: CDAB}
programs: [main.st]
cards:
  DI_1: {kind: digital input, channels: 8, order_code: X, description: inputs}
  AI_1: {kind: analog input, channels: 8, order_code: X, description: inputs}
  DO_1: {kind: digital output, channels: 8, order_code: X, description: outputs}
equipment: {}
points:
  LAMP: {card: DO_1, fail_safe: false, description: A lamp}
  HORN: {card: DO_1, fail_safe: false, description: A horn}
  EYE: {card: DI_1, description: An eye}
  DOOR: {card: DI_1, description: A door}
  LT_1: {card: AI_1, unit: m, range: [0, 2.5], description: A level}
  GO: {role: command, description: Go}
  KEY: {role: command, hold: true, description: Key}
  BOUND: {role: setpoint, type: INT, initial: 9, range: [0, 9], description: A limit}
  PAUSE: {role: setpoint, type: TIME, initial: 9 s, range: [1 s, 9 s], description: A pause}
guards:
  DARK: {text: The lamp stays dark, never: LAMP}
"""
# Lit by a level at its end, with the door shut after GO, and a low limit: all at once.
RARE = """\
PROGRAM Main
VAR armed : BOOL; END_VAR
IF GO AND NOT DOOR THEN armed := TRUE; END_IF;
LAMP := armed AND DOOR AND KEY AND NOT EYE AND LT_1 >= 2.5 AND BOUND < 2;
END_PROGRAM
"""
# Never both: one excludes the other, and what was first stays.
LATCHES = """\
PROGRAM Main
IF EYE AND NOT HORN THEN LAMP := TRUE; END_IF;
IF KEY AND NOT LAMP THEN HORN := TRUE; END_IF;
IF GO THEN LAMP := FALSE; HORN := FALSE; END_IF;
END_PROGRAM
"""
CHART = """\
INITIAL_STEP A: END_STEP
STEP B: END_STEP
TRANSITION FROM A TO B := EYE; END_TRANSITION
TRANSITION FROM B TO A := GO; END_TRANSITION
ACTION Ring: HORN := EYE; END_ACTION
"""
# Two times of 70 s, the second only with the eye: a walk is 100 s long.
LONG = """\
INITIAL_STEP A: END_STEP
STEP B: END_STEP
STEP C: LAMP(N); END_STEP
TRANSITION FROM A TO B := A.T >= T#70s; END_TRANSITION
TRANSITION FROM B TO C := B.T >= T#70s AND EYE; END_TRANSITION
"""
EXCLUDED = MACHINE.replace("never: LAMP", "never: LAMP AND HORN")


def folder_of(path: Path, program: str, machine: str = MACHINE) -> Path:
    """A machine folder."""
    (path / "machine.yaml").write_text(machine)
    (path / "main.st").write_text(program)
    return path


def explored(
    path: Path, program: str, machine: str = MACHINE, *, seed: int = 1, scans: int = 100_000
) -> Explored:
    """What an exploration of a small machine found."""
    folder = folder_of(path, program, machine)
    return explore_folder(folder, seed=seed, scans=scans, throughout=True)


def test_a_combination_that_is_rare_is_found_and_shrunk(tmp_path: Path) -> None:
    """Six inputs have to come together in order; the list has those changes and no others."""
    found = explored(tmp_path, RARE)
    (shown,) = found.shown
    assert shown.discovery.breach.key == "DARK"
    changes = shown.discovery.changes
    assert sorted(change.name for change in changes) == ["BOUND", "DOOR", "GO", "KEY", "LT_1"]
    values = {change.name: change.value for change in changes}
    assert values.pop("BOUND") in (0, 1)
    assert values == {"GO": True, "DOOR": True, "KEY": True, "LT_1": 2.5}
    # GO is seen in one scan, the door in the next one.
    assert shown.discovery.breach.scan == 1
    assert "BOOL" not in found.exploration.no_proof
    assert "LT_1" in found.exploration.no_proof


def test_what_is_found_is_a_trial_that_fails(tmp_path: Path) -> None:
    """Its file, put among the trials, breaks the same guard on the bench."""
    found = explored(tmp_path, RARE)
    (tmp_path / "trials").mkdir()
    (tmp_path / "trials" / "found.yaml").write_text(found.shown[0].trial)
    trials = load_trials(load_folder(tmp_path))
    (result,) = run_trials(trials, trials.choose(()), lambda _: None).results
    assert result.failed
    assert any("DARK" in event.what or "stays dark" in event.what for event in result.events)


def test_the_same_seed_finds_the_same(tmp_path: Path) -> None:
    """Everything is equal but the time it took; another seed takes another way."""
    first, again = explored(tmp_path, RARE, seed=5), explored(tmp_path, RARE, seed=5)
    assert (first.exploration, first.shown) == (again.exploration, again.shown)
    assert explored(tmp_path, RARE, seed=6).exploration.scans != first.exploration.scans


def test_a_walk_goes_on_where_an_earlier_one_came_to_something_new(tmp_path: Path) -> None:
    """What needs more scans than one walk has is found, and shrunk from the cold start."""
    found = explored(tmp_path, f"PROGRAM Main\n{LONG}END_PROGRAM\n", scans=60_000)
    (shown,) = found.shown
    assert shown.discovery.breach.scan >= 2 * 70 * 20 - 1 > WALK_SCANS
    assert [(c.name, c.value) for c in shown.discovery.changes] == [("EYE", True)]
    assert shown.discovery.changes[0].scan == 0
    assert shown.trial


def test_a_program_that_stops_is_found(tmp_path: Path) -> None:
    """A division by zero that one value of a set point brings is told with its line."""
    program = "PROGRAM Main\nVAR x : INT; END_VAR\nIF EYE THEN x := 10 / (BOUND - 3); END_IF;\n"
    found = explored(tmp_path, program + "END_PROGRAM\n")
    (shown,) = found.shown
    assert "main.st:3" in shown.discovery.breach.text
    assert [(c.name, c.value) for c in shown.discovery.changes] in (
        [("EYE", True), ("BOUND", 3)],
        [("BOUND", 3), ("EYE", True)],
    )
    assert "explored_1" in shown.trial


def test_a_guard_with_a_time_breaks_when_it_is_over(tmp_path: Path) -> None:
    """The answer has to stay away for the whole time, 0.5 s after the scan of the demand."""
    machine = MACHINE.replace("never: LAMP", "within: 500 ms, of: EYE, expect: HORN")
    found = explored(tmp_path, "PROGRAM Main\nHORN := EYE AND DOOR;\nEND_PROGRAM\n", machine)
    (shown,) = found.shown
    assert [(c.name, c.value) for c in shown.discovery.changes] == [("EYE", True)]
    assert shown.discovery.breach.scan == 10
    assert "time" in found.exploration.no_proof


def test_a_small_closed_machine_is_proved(tmp_path: Path) -> None:
    """Three inputs and two latches: none, one or the other is set, so there are three states."""
    found = explored(tmp_path, LATCHES, EXCLUDED).exploration
    assert found.no_proof == ""
    assert found.states == 3
    assert found.scans == (1 + 3) * 2**3  # the first scan, and one from each state
    assert not found.discoveries


def test_a_search_of_all_states_finds_the_shortest_way(tmp_path: Path) -> None:
    """Without the interlock of the horn both are set; each needs one input."""
    program = LATCHES.replace("KEY AND NOT LAMP", "KEY")
    found = explored(tmp_path, program, EXCLUDED).exploration
    assert found.no_proof == ""
    (discovery,) = found.discoveries
    assert [(c.scan, c.name) for c in discovery.changes] == [(0, "EYE"), (0, "KEY")]


def test_a_chart_whose_times_nobody_looks_at_is_proved(tmp_path: Path) -> None:
    """Two steps, and the horn of the second one as the eye is: before, A, B silent, B loud."""
    chart = CHART.replace("STEP B:", "STEP B: Ring(N);")
    machine = MACHINE.replace("never: LAMP", "never: HORN AND Main.A")
    found = explored(tmp_path, f"PROGRAM Main\n{chart}END_PROGRAM\n", machine).exploration
    assert found.no_proof == ""
    assert found.states >= 4
    assert [one.breach.key for one in found.discoveries] == ["DARK"]


def test_a_guard_on_the_time_of_a_step_is_no_proof(tmp_path: Path) -> None:
    """The program itself looks at no time, but its guard does."""
    machine = MACHINE.replace("never: LAMP", "never: Main.A.T > T#1h")
    program = f"PROGRAM Main\n{CHART}END_PROGRAM\n"
    found = explored(tmp_path, program, machine, scans=2_000).exploration
    assert "the time of a step" in found.no_proof


def test_a_list_begins_with_the_machine_at_rest(tmp_path: Path) -> None:
    """An input that an open contact makes TRUE is so until it is changed, and in the trial."""
    machine = MACHINE.replace("EYE: {card: DI_1,", "EYE: {card: DI_1, true_when: open,")
    found = explored(tmp_path, "PROGRAM Main\nLAMP := DOOR AND NOT EYE;\nEND_PROGRAM\n", machine)
    (shown,) = found.shown
    changes = [(change.name, change.value) for change in shown.discovery.changes]
    assert sorted(changes) == [("DOOR", True), ("EYE", False)]
    found = explored(tmp_path, "PROGRAM Main\nLAMP := DOOR AND EYE;\nEND_PROGRAM\n", machine)
    (shown,) = found.shown
    assert [(c.name, c.value) for c in shown.discovery.changes] == [("DOOR", True)]
    assert "EYE: true" in shown.trial


def test_a_real_at_the_end_of_its_range_is_a_trial(tmp_path: Path) -> None:
    """It is written by the digits of the machine file, not as the binary number beside it."""
    machine = MACHINE.replace(
        "type: INT, initial: 9, range: [0, 9]", "type: REAL, initial: 2, range: [0.9, 9]"
    )
    found = explored(tmp_path, "PROGRAM Main\nLAMP := BOUND < 0.95;\nEND_PROGRAM\n", machine)
    assert "BOUND: 0.9\n" in found.shown[0].trial


def test_a_counter_that_does_not_close_is_no_proof(tmp_path: Path) -> None:
    """Where the states do not end within the scans, that is said, and walks follow."""
    counting = "IF EYE AND KEY AND GO THEN n := n + 1; END_IF;\nHORN := n > 7;\nEND_PROGRAM"
    program = LATCHES.replace("Main", "Main\nVAR n : UDINT; END_VAR")
    program = program.replace("END_PROGRAM", counting)
    found = explored(tmp_path, program, EXCLUDED, scans=5_000).exploration
    assert "not enough" in found.no_proof
    assert found.scans <= 5_000


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ("VAR t : TON; END_VAR\nt(IN := EYE, PT := T#1s);\nHORN := t.Q;", "time"),
        ("HORN := EYE AND NOT COMMS_ALARM;", "COMMS_ALARM"),
        ("HORN := EYE AND BOUND > 3;", "BOUND"),
        (CHART.replace("EYE;", "EYE AND A.T > T#1s;", 1), "time"),
        (CHART.replace("EYE;", "A.__SINCE > T#1s;", 1), "time"),
        (CHART.replace("EYE;", "__NOW > T#1s;", 1), "time"),
        (CHART.replace("STEP B:", "STEP B: Ring(L, T#2s);"), "time"),
        (CHART.replace("STEP B:", "STEP B: Ring(SD, T#2s);"), "time"),
        (CHART.replace("STEP B:", "STEP B: Ring(SL, T#2s);"), "time"),
        (CHART.replace("STEP B:", "STEP B: Ring(DS, T#2s);"), "time"),
    ],
)
def test_a_proof_is_refused_where_a_state_says_too_little(
    tmp_path: Path, body: str, why: str
) -> None:
    """Timers, charts, wide inputs and the controller's figures: the reason is told."""
    found = explored(tmp_path, f"PROGRAM Main\n{body}\nEND_PROGRAM\n", scans=2_000).exploration
    assert why in found.no_proof
    assert found.states == 0


def test_what_trials_declare_throughout_is_looked_at(tmp_path: Path) -> None:
    """An `always` counts like a guard; what reads the plant is left out by name."""
    (tmp_path / "trials").mkdir()
    (tmp_path / "trials" / "a.yaml").write_text(
        "trials:\n  a:\n    throughout:\n      - always: NOT HORN\n        text: Silence\n"
        "      - never: FIELD_LINK AND HORN\n    procedure:\n      - wait: 1 s\n"
    )
    found = explored(tmp_path, "PROGRAM Main\nHORN := EYE;\nEND_PROGRAM\n")
    (shown,) = found.shown
    assert shown.discovery.breach.text == "Silence"
    assert shown.trial
    (left_out,) = found.exploration.left_out
    assert left_out.name == "never: FIELD_LINK AND HORN"
    folder = folder_of(tmp_path, "PROGRAM Main\nHORN := EYE;\nEND_PROGRAM\n")
    assert explore_folder(folder, seed=1, scans=1000, throughout=False).exploration.no_proof == ""


def run_command(monkeypatch: pytest.MonkeyPatch, *arguments: object) -> int | str | None:
    """The exit code of `softctl campaign` with these arguments."""
    monkeypatch.setattr("sys.argv", ["softctl", "campaign", *map(str, arguments)])
    with pytest.raises(SystemExit) as caught:
        main()
    return caught.value.code


def test_the_command_writes_the_trial_and_the_result(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 1, the list of changes on the screen, a trial file and JSON."""
    folder = folder_of(tmp_path, RARE)
    out, result = tmp_path / "found", tmp_path / "result.json"
    options = ["--explore", "--scans", 100_000, "--found", out, "--json", result]
    assert run_command(monkeypatch, folder, *options) == 1
    screen = capsys.readouterr().out
    assert "GO := TRUE" in screen
    assert "no proof" in screen
    assert "safety function" in screen
    assert (out / "explored_1.yaml").read_text().startswith("trials:")
    (finding,) = json.loads(result.read_text())["findings"]
    assert finding["name"] == "DARK"


def test_the_command_tells_a_proof(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 0, the word proof and the number of states."""
    folder = folder_of(tmp_path, LATCHES, EXCLUDED)
    assert run_command(monkeypatch, folder, "--explore") == 0
    assert "a proof for 1 guard: all 3 states, 32 scans" in capsys.readouterr().out


def test_options_that_do_not_fit_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing runs; the message names the options."""
    folder = folder_of(tmp_path, RARE)
    assert run_command(monkeypatch, folder, "--explore", "--workers", 2) == 2
    assert "--explore without" in capsys.readouterr().err
    assert run_command(monkeypatch, folder, "--throughout") == 2
    assert "--throughout with --explore" in capsys.readouterr().err
