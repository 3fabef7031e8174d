"""What trials touch of a program."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pytest

from softctl.logic import Source, compile_application
from softctl.runtime.folder import load_folder
from softctl.runtime.trials import load_trials, run_trials, with_marks
from softctl.trial.chart_drawing import chart_drawing
from softctl.trial.coverage import Coverage
from softctl.trial.marks import Marker

MACHINE = """\
name: touched
title: A machine to be touched
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
  GO: {role: command, hold: true, description: Go}
  SAFE: {role: command, hold: true, description: Safe}
  KEY: {role: command, hold: true, description: Key}
  MODE: {role: setpoint, type: INT, initial: 1, range: [0, 9], description: Mode}
  COUNT: {role: state, type: UDINT, description: Count}
alarms:
  A_1: {text: It runs, when: LAMP}
  A_2: {text: It never does, when: COUNT > 1000}
"""
PROGRAM = """\
PROGRAM Main
INITIAL_STEP Rest:
END_STEP
STEP Run:
  LAMP(N);
  Work(N);
END_STEP
STEP Odd:
END_STEP
TRANSITION FROM Rest TO Run := GO AND SAFE AND KEY; END_TRANSITION
TRANSITION FROM Run TO Rest := NOT (GO OR KEY); END_TRANSITION
TRANSITION FROM Run TO Odd := MODE = 9; END_TRANSITION
TRANSITION FROM Odd TO Rest := TRUE; END_TRANSITION
ACTION Work:
  IF MODE = 1 THEN
    COUNT := COUNT + 1;
  END_IF;
  CASE MODE OF
    1: ;
    2, 4..5: COUNT := COUNT + 2;
  END_CASE;
END_ACTION
END_PROGRAM
"""

Run = Callable[[str], Coverage]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    def made(rows: str) -> Coverage:
        (tmp_path / "machine.yaml").write_text(MACHINE)
        (tmp_path / "main.st").write_text(PROGRAM)
        (tmp_path / "trials").mkdir(exist_ok=True)
        text = f"trials:\n  it:\n    procedure:\n{rows}"
        (tmp_path / "trials" / "a.yaml").write_text(text)
        folder, tracker = with_marks(load_folder(tmp_path))
        found = load_trials(folder)
        report = run_trials(found, found.choose(()), lambda _: None, tracker)
        assert not report.failures
        assert report.coverage is not None
        return report.coverage

    return made


def rows(*texts: str) -> str:
    return "".join(f"      - {text}\n      - wait: 200 ms\n" for text in texts)


def untouched(coverage: Coverage, kind: str) -> list[tuple[int, str]]:
    return [(t.place.line, t.text) for t in coverage.untouched() if t.kind == kind]


def test_nothing_done_touches_little(run: Run) -> None:
    """Without a command only the initial step was active."""
    coverage = run("      - wait: 1 s\n")
    counts = {kind: (touched, total) for kind, touched, total in coverage.counts()}
    assert counts == {
        "step": (1, 3),
        "transition": (0, 4),
        "action": (0, 1),
        "branch": (0, 5),
        "interlock": (0, 5),
        "point": (0, 4),
        "alarm": (0, 2),
    }


def test_each_kind_is_told_by_line(run: Run) -> None:
    """What was left out is listed where it stands; what was done is not."""
    coverage = run(rows("command: [GO, SAFE, KEY]", "withdraw: GO", "withdraw: KEY"))
    assert untouched(coverage, "step") == [(8, "Main.Odd")]
    assert [line for line, _ in untouched(coverage, "transition")] == [12, 13]
    assert untouched(coverage, "action") == []
    assert untouched(coverage, "branch") == [
        (15, "ELSE of IF"),
        (18, "ELSE of CASE MODE"),
        (20, "CASE MODE OF 2, 4..5"),
    ]
    assert [text.split(",")[0] for _, text in untouched(coverage, "point")] == []
    assert [text for _, text in untouched(coverage, "alarm")] == ["A_2"]


def test_an_interlock_counts_when_it_alone_refuses(run: Run) -> None:
    """Two terms that refuse together prove nothing of either; a NOT over an OR is two terms."""
    both = run(rows("command: KEY"))
    wanted = ["GO", "SAFE", "KEY", "NOT GO", "NOT KEY"]
    assert [text.split(",")[0] for _, text in untouched(both, "interlock")] == wanted
    alone = run(rows("command: [KEY, SAFE]", "command: GO", "withdraw: GO"))
    left = [text.split(",")[0] for _, text in untouched(alone, "interlock")]
    assert left == ["SAFE", "KEY", "NOT GO"]


def test_other_branches_and_a_cleared_chain(run: Run) -> None:
    """The ELSE that nobody wrote, the arms of a CASE and a step of one scan are seen."""
    coverage = run(rows("command: [GO, SAFE, KEY]", "set: {MODE: 4}", "set: {MODE: 9}"))
    assert untouched(coverage, "branch") == []
    assert untouched(coverage, "step") == []
    assert [line for line, _ in untouched(coverage, "transition")] == [11]


def test_marks_change_nothing_else() -> None:
    """A marked program computes what the plain one does."""
    text = """
    PROGRAM P
    VAR n, sum, seen : DINT; END_VAR
    n := n + 1;
    FOR seen := 1 TO n DO
        IF seen MOD 3 = 0 THEN sum := sum + seen; ELSIF seen > 5 THEN sum := sum - 1; END_IF;
    END_FOR;
    WHILE sum > 20 DO sum := sum - 7; END_WHILE;
    REPEAT seen := seen - 2; UNTIL seen < 0 END_REPEAT;
    END_PROGRAM
    """
    plain = compile_application([Source("p.st", text)]).instantiate()
    marker = Marker()
    marked = compile_application([Source("p.st", text)], revise=marker).instantiate()
    for number in range(40):
        plain.scan(number)
        marked.scan(number)
        paths = ["P.n", "P.sum", "P.seen"]
        assert marked.reader(paths)() == plain.reader(paths)()
    assert [mark.kind for mark in marker.marks] == ["branch"] * 5
    assert all(marked.reader([mark.name for mark in marker.marks])())


def test_the_chart_is_drawn_with_what_was_missed(run: Run) -> None:
    """Boxes for all steps, ways for all transitions; those that were missed say so."""
    coverage = run(rows("command: [GO, SAFE, KEY]"))
    (chart,) = load_folder_charts(coverage)
    root = ElementTree.fromstring(chart_drawing(chart, coverage))
    kinds = [element.get("class", "") for element in root.iter()]
    assert sum(kind.startswith("box") for kind in kinds) == 4  # the initial step has two
    assert sum(kind == "box missed" for kind in kinds) == 1
    assert sum(kind.startswith("way") for kind in kinds) == 4
    assert sum(kind == "way missed" for kind in kinds) == 3
    assert any("✗ Odd" in str(element.text) for element in root.iter())


def load_folder_charts(coverage: Coverage) -> tuple[object, ...]:
    """The charts of the folder that a coverage is of."""
    step = next(touch for touch in coverage.touches if touch.kind == "step")
    return load_folder(Path(step.place.file).parent).application.charts
