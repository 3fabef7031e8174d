"""Programs with one thing changed, and whether trials notice."""

from __future__ import annotations

from pathlib import Path

import pytest

from softctl.logic import Application, Global, Source, compile_application
from softctl.runtime.folder import load_folder
from softctl.runtime.trials import load_trials, run_mutants
from softctl.trial.mutants import Mutant, Mutator
from softctl.trial.mutation import find_mutants

TEXT = """\
PROGRAM P
VAR delay : TON; count : INT; wait : TIME := T#2s; done : BOOL; END_VAR
delay(IN := GO AND NOT STOP, PT := T#500ms);
IF delay.Q AND count < 3 THEN
  count := count + 1;
END_IF;
done := GO AND STOP AND delay.Q;
END_PROGRAM
"""
GLOBALS = [Global("GO", "BOOL", False, True), Global("STOP", "BOOL", False, False)]


def build(revise: Mutator) -> Application:
    return compile_application([Source("p.st", TEXT)], GLOBALS, revise=revise)


def kinds(mutants: list[Mutant]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for mutant in mutants:
        found.setdefault(mutant.kind, []).append(mutant.text)
    return found


def test_every_place_is_found_once() -> None:
    """Times of declarations and calls, conditions, operators and terms of interlocks."""
    found = kinds(find_mutants(build))
    assert found["time changed"] == [
        f"T#{time} becomes {factor} times as long" for time in ("2s", "500ms") for factor in (0, 10)
    ]
    assert found["condition negated"] == [
        "delay.Q AND count < 3 becomes NOT (delay.Q AND count < 3)"
    ]
    assert found["interlock dropped"] == [
        "GO AND NOT STOP loses GO",
        "GO AND NOT STOP loses NOT STOP",
        "delay.Q AND count < 3 loses delay.Q",
        "delay.Q AND count < 3 loses count < 3",
        "GO AND STOP AND delay.Q loses delay.Q",
        "GO AND STOP loses GO",
        "GO AND STOP loses STOP",
    ]
    assert len(found["operator swapped"]) == 6


@pytest.mark.parametrize(
    ("text", "count_after"),
    [
        ("T#500ms becomes 0 times as long", 3),
        ("T#500ms becomes 10 times as long", 0),
        ("GO AND NOT STOP becomes GO OR NOT STOP", 3),
        ("delay.Q AND count < 3 loses count < 3", 11),
        ("delay.Q AND count < 3 becomes NOT (delay.Q AND count < 3)", 21),
        ("count < 3 becomes count <= 3", 4),
        ("count + 1 becomes count - 1", -11),
    ],
)
def test_a_mutant_is_the_program_with_that_one_change(text: str, count_after: int) -> None:
    """What it computes is what the changed text would."""
    (number,) = (one.number for one in find_mutants(build) if one.text == text)
    instance = build(Mutator(number)).instantiate()
    for scan in range(21):
        instance.scan(scan * 50_000_000 + 1)
    assert instance.read("P.count") == count_after


def test_the_program_itself_stays_as_it_was() -> None:
    """Looking for mutants changes nothing."""
    finder = Mutator()
    instance = build(finder).instantiate()
    for scan in range(21):
        instance.scan(scan * 50_000_000 + 1)
    assert instance.read("P.count") == 3


MACHINE = """\
name: mutated
title: A machine to be changed
description: No equipment at all
species: []
control: {scan: 50 ms, fail_safe_after: 500 ms}
plant: {step: 10 ms, seed: 7}
field: {host: 127.0.0.1, port: 15020, unit: 1, word_order: ABCD}
hmi: {host: 127.0.0.1, port: 15021, unit: 1, word_order: CDAB}
programs: [main.st]
cards:
  DO_1: {kind: digital output, channels: 8, order_code: X, description: outputs}
equipment: {}
points:
  LAMP: {card: DO_1, fail_safe: false, description: A lamp}
  HORN: {card: DO_1, fail_safe: false, description: A horn}
  GO: {role: command, hold: true, description: Go}
  KEY: {role: command, hold: true, description: Key}
"""
CHART = """\
PROGRAM Main
INITIAL_STEP Rest:
END_STEP
STEP Run:
  LAMP(N);
  HORN(D, T#1s);
END_STEP
TRANSITION FROM Rest TO Run := GO AND KEY; END_TRANSITION
TRANSITION FROM Run TO Rest := NOT GO; END_TRANSITION
END_PROGRAM
"""
WEAK = """\
trials:
  it:
    procedure:
      - command: [GO, KEY]
      - expect: LAMP AND NOT HORN
"""
STRONG = """\
trials:
  lit:
    procedure:
      - command: GO
      - expect: NOT LAMP
      - withdraw: GO
      - command: KEY
      - expect: NOT LAMP
      - command: GO
      - expect: LAMP AND NOT HORN
        for: 900 ms
      - expect: HORN
        within: 200 ms
      - withdraw: GO
      - expect: NOT LAMP AND NOT HORN
"""


def unnoticed(folder: Path, trials: str) -> list[str]:
    (folder / "machine.yaml").write_text(MACHINE)
    (folder / "main.st").write_text(CHART)
    (folder / "trials").mkdir(exist_ok=True)
    (folder / "trials" / "a.yaml").write_text(trials)
    found = load_trials(load_folder(folder))
    heard: list[tuple[int, int]] = []
    mutation = run_mutants(found, found.choose(()), lambda *done: heard.append(done))
    assert heard[-1] == (len(mutation.tried), len(mutation.tried))
    return [mutant.text for mutant in mutation.unnoticed()]


def test_weak_trials_leave_changes_unnoticed(tmp_path: Path) -> None:
    """What the trials never ask for is what they do not notice."""
    assert {
        "Run: HORN(D) is gone",
        "T#1s becomes 10 times as long",
        "GO AND KEY becomes GO OR KEY",
        "GO AND KEY loses GO",
        "GO AND KEY loses KEY",
        "Run → Rest is gone",
    } <= set(unnoticed(tmp_path, WEAK))


def test_strong_trials_notice_every_change(tmp_path: Path) -> None:
    """Each way that is forbidden and each time has its expectation."""
    assert unnoticed(tmp_path, STRONG) == []
