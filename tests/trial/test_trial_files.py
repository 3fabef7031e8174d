"""What a trial file says, and how it is told that it is wrong."""

from __future__ import annotations

import pytest
from trial_texts import parsed

from softctl.errors import ProblemsError
from softctl.plant import Fault
from softctl.trial import model

S = 1_000_000_000

GOOD = """\
about: How it is meant
trials:
  first:
    text: Everything that a row can be
    given:
      equipment: {T_101: {initial_level: 500 mm}}
      set: {STIR_TIME: 20 s}
    throughout:
      - never: XV_101 AND P_101
    procedure:
      - command: START
        text: Press START
      - set: {STIR_TIME: 0.5 min}
      - fault: LSH_101 stuck
        after: 2 s
        for: 5 s
      - fault: LT_101 drift
        size: 20 mm
        ramp: 10 s
      - mend: LT_101
      - mend: lsh_101 stuck
      - force: {LSL_101: true}
        for: 4 s
      - release: LSL_101
      - release: all
      - wire: cut
        for: 600 ms
      - wire: mended
      - wait: 1.5 s
      - wait until: Feed.Feeding
        within: 1 min
      - expect: P_101 AND
          P_102
        within: 3 s
        for: 2 s
      - compare: LT_101
        with: T_101.level
        band: 15 mm
      - sequence: [Feeding, [Settling, Stirring]]
        within: 5 min
      - always: RUNNING
        until: BATCHES > 0
"""


def test_every_kind_of_row_is_read() -> None:
    """Quantities become SI and nanoseconds, names are those of the machine file."""
    (trial,) = parsed(GOOD).trials
    assert trial.about == "How it is meant"
    assert trial.settings == {"STIR_TIME": 20 * S}
    assert trial.equipment["T_101"]["initial_level"].value == "500 mm"
    rows = trial.rows
    assert isinstance(rows[0], model.Watch)
    assert rows[0].wanted is False
    kinds = [type(row).__name__ for row in rows]
    assert kinds == [
        *["Watch", "Write", "Write", "Break", "Break", "Mend", "Mend", "Force", "Release"],
        *["Release", "Wire", "Wire", "Wait", "WaitUntil", "Expect", "Expect", "Sequence", "Watch"],
    ]
    writes = [row.values for row in rows if isinstance(row, model.Write)]
    assert writes == [{"START": True}, {"STIR_TIME": 30 * S}]
    faults = [row.fault for row in rows if isinstance(row, model.Break)]
    assert faults[0] == Fault("LSH_101", "stuck", 2 * S, 5 * S)
    assert faults[1] == Fault("LT_101", "drift", size=0.02, ramp_ns=10 * S)
    comparison = rows[15]
    assert isinstance(comparison, model.Expect)
    assert comparison.band == pytest.approx(0.015)
    assert comparison.unit == "m"


def problems(text: str) -> list[tuple[int, int, str, str]]:
    """Line, column, message and hint of every problem."""
    with pytest.raises(ProblemsError) as caught:
        parsed(text)
    assert all(problem.excerpt for problem in caught.value.problems)
    return [(p.place.line, p.place.column, p.message, p.hint) for p in caught.value.problems]


# In the one trial of GOOD: the text to replace, by what, and where and how that is told.
BROKEN = {
    "key of the file": ("about:", "abot:", 1, 1, "about"),
    "name of the trial": ("  first:", "  first one:", 3, 3, "letters, digits"),
    "key of the trial": ("    throughout:", "    thruout:", 8, 5, "throughout"),
    "parameter": ("initial_level: 500 mm", "inital_level: 500 mm", 6, 41, "initial_level"),
    "unit of a parameter": ("500 mm", "500 kg", 6, 42, "length"),
    "level above the vessel": ("500 mm", "5 m", 6, 42, "1.43 m"),
    "set point out of range": ("set: {STIR_TIME: 20 s}", "set: {STIR_TIME: 2 s}", 7, 24, "5 s"),
    "set point of another name": ("{STIR_TIME: 20 s}", "{STIRTIME: 20 s}", 7, 13, "STIR_TIME"),
    "verb": ("- command: START", "- comand: START", 11, 9, "command"),
    "two verbs": ("text: Press START", "expect: P_101", 12, 9, "one of"),
    "key of a row": ("        after: 2 s", "        afer: 2 s", 15, 9, "after"),
    "command": ("- command: START", "- command: STRAT", 11, 18, "START"),
    "equipment": ("LSH_101 stuck\n        after", "LSH_102 stuck\n        after", 14, 16, "LSH"),
    "fault": ("LSH_101 stuck\n        after", "LSH_101 stck\n        after", 14, 16, "stuck"),
    "size of the wrong kind": ("size: 20 mm", "size: 20 s", 18, 15, "length"),
    "size of a yes or no": ("        after: 2 s", "        size: 2 s", 15, 15, "no size"),
    "time": ("wait: 1.5 s", "wait: 1.5", 29, 15, "time"),
    "time of another kind": ("wait: 1.5 s", "wait: 1.5 m", 29, 15, "time"),
    "no time": ("        within: 1 min\n", "", 30, 9, "within"),
    "name in a condition": ("until: Feed.Feeding", "until: Feed.Fedding", 30, 21, "Feeding"),
    "second line of a condition": ("          P_102", "          LT_101", 32, 23, "BOOL"),
    "band of another kind": ("band: 15 mm", "band: 15 s", 38, 15, "length"),
    "value that is none": ("with: T_101.level", "with: P_101", 37, 15, "LREAL"),
    "step": ("[Settling, Stirring]", "[Settling, Stiring]", 39, 40, "Stirring"),
    "forced value": ("{LSL_101: true}", "{LSL_101: 7}", 22, 26, "true or false"),
    "forced name": ("{LSL_101: true}", "{LSL_1: true}", 22, 17, "LSL_101"),
    "wire": ("wire: cut", "wire: broken", 26, 15, "cut or mended"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_mistake_is_told_at_its_place(name: str) -> None:
    """One mistake makes one message, at line and column, with the name that was meant."""
    before, after, line, column, words = BROKEN[name]
    assert before in GOOD
    (found,) = problems(GOOD.replace(before, after, 1))
    assert found[:2] == (line, column)
    assert words in found[2] + found[3]


def test_all_mistakes_come_at_once() -> None:
    """Mistakes in several rows are told in one go, in the order of lines."""
    text = GOOD.replace("START\n        text", "STRAT\n        text").replace("1.5 s", "never")
    text = text.replace("P_102", "P_1O2")
    assert [line for line, *_ in problems(text)] == [11, 29, 33]


@pytest.mark.parametrize("text", ["", "- a", "trials: 3", "about: x", "trials: {a: 3}", "a: ["])
def test_what_is_no_trial_file_is_told(text: str) -> None:
    """Texts of another shape are errors with a place."""
    with pytest.raises(ProblemsError, match=r"expected .*\(t.yaml:\d+:\d+"):
        parsed(text)
