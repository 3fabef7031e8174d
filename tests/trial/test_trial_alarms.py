"""Rows about alarms, and the guards of the machine file, on a demo that has both."""

from __future__ import annotations

import shutil
from textwrap import dedent, indent

import pytest

from softctl.errors import ProblemsError
from softctl.runtime.folder import demo_folder, load_folder
from softctl.runtime.live_trials import run_live
from softctl.runtime.trials import surroundings
from softctl.trial.parse import Surroundings, TrialFile, parse_trials
from softctl.trial.result import Outcome, Result
from softctl.trial.run import VirtualRunner

WATCHED = """
alarms:
  LAH_901: {text: Day tank high, point: LT_101, above: 0.8 m, deadband: 20 mm, on_delay: 2 s}
  P_901_FAIL: {when: P_101 AND NOT P_101_RUN, on_delay: 1 s, ending: reset}
guards:
  ONE_WAY: {text: never stirred while fed, never: A_101 AND P_101_RUN}
"""


@pytest.fixture(scope="module")
def around(tmp_path_factory: pytest.TempPathFactory) -> Surroundings:
    folder = tmp_path_factory.mktemp("alarms") / "machine"
    shutil.copytree(demo_folder(), folder, ignore=shutil.ignore_patterns("trials"))
    path = folder / "machine.yaml"
    alarms, guards = WATCHED.split("guards:\n")
    text = path.read_text().replace("\nalarms:\n", alarms, 1)
    assert alarms in text
    text = text.replace("\nguards:\n", f"\nguards:\n{guards}", 1)
    assert guards in text
    path.write_text(text)
    return surroundings(load_folder(folder))


def parsed(rows: str, around: Surroundings, level: str = "0.7 m") -> TrialFile:
    head = f"    given: {{equipment: {{T_101: {{initial_level: {level}}}}}}}\n"
    text = "trials:\n  it:\n" + head + "    procedure:\n" + indent(dedent(rows), "      ")
    return parse_trials(text, "t.yaml", around)


def play(rows: str, around: Surroundings) -> Result:
    file = parsed(rows, around)
    return VirtualRunner(around).run(file, file.trials[0])


LIFE = """\
- alarm: LAH_901
  is: normal
- command: START
- alarm: lah_901
  is: raised
  within: 1 min
  text: The high level is announced
- alarm: LAH_901
  is: waiting
- acknowledge: LAH_901
- alarm: LAH_901
  is: acknowledged
- expect: LT_101 > 0.8
- shelve: LAH_901
  for: 10 min
- alarm: LAH_901
  is: shelved
- unshelve: LAH_901
- fault: P_101 no feedback
- alarm: P_901_FAIL
  is: raised
  within: 2 s
- acknowledge: all
- mend: P_101
- alarm: P_901_FAIL
  is: latched
  within: 1 s
- reset: P_901_FAIL
- alarm: P_901_FAIL
  is: normal
"""


def test_an_alarm_is_followed_through_its_life(around: Surroundings) -> None:
    """Raised, waiting, acknowledged, shelved, latched and reset, by an operator's acts."""
    result = play(LIFE, around)
    assert [v.found for v in result.verdicts if v.outcome is not Outcome.MET] == []
    assert result.passed
    told = [event.what for event in result.events]
    assert "alarm LAH_901 raised" in told
    assert "alarm LAH_901 acknowledged by HMI" in told
    deeds = [deed.what for deed in result.deeds]
    assert "acknowledge LAH_901" in deeds
    assert result.verdicts[1].expected == "alarm LAH_901 normal"


@pytest.mark.network
async def test_alarms_are_the_same_live(around: Surroundings) -> None:
    """The rows go over the HMI map, so a live run judges alike."""
    file = parsed(LIFE, around)
    result = await run_live(around, file, file.trials[0], 5)
    assert [v.found for v in result.verdicts if v.outcome is not Outcome.MET] == []
    assert result.passed


def test_an_alarm_that_does_not_come_is_told(around: Surroundings) -> None:
    """The finding has the alarm's points."""
    result = play("- alarm: LAH_901\n  is: raised\n  within: 3 s\n", around)
    assert result.verdicts[1].outcome is Outcome.NOT_MET
    assert "LAH_901 = FALSE" in result.verdicts[1].found


def test_a_broken_guard_fails_every_trial(around: Surroundings) -> None:
    """A trial that expects nothing of it fails, and the record names the guard."""
    result = play("- force: {P_101_RUN: true, A_101: true}\n- wait: 1 s\n", around)
    (verdict,) = [v for v in result.verdicts if v.outcome is Outcome.NOT_MET]
    assert verdict.text == "No guard of the machine file is broken"
    assert any("guard ONE_WAY broken" in event.what for event in result.events)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("- alarm: LAH_90\n  is: raised\n", "did you mean LAH_901?"),
        ("- alarm: LAH_901\n  is: risen\n", "raised"),
        ("- alarm: LAH_901\n", "'is:'"),
        ("- acknowledge: LAH\n", "expected an alarm"),
        ("- shelve: LAH_901\n", "'for:'"),
        ("- shelve: LAH_901\n  for: 2 d\n", "28800 s"),
    ],
)
def test_mistakes_in_rows_about_alarms_are_told(
    around: Surroundings, rows: str, words: str
) -> None:
    """Names, states and times are checked like all others."""
    with pytest.raises(ProblemsError) as caught:
        parsed(rows, around)
    assert words in str(caught.value)
