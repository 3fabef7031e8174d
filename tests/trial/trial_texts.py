"""The demo as the surroundings of trials that are written in tests."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from textwrap import dedent, indent

from softctl.runtime.folder import demo_folder, load_folder
from softctl.runtime.trials import surroundings
from softctl.trial.parse import Surroundings, TrialFile, parse_trials
from softctl.trial.result import Result
from softctl.trial.run import VirtualRunner


@cache
def demo() -> Surroundings:
    """The demo, read once, without guards: their watch is a trial's first verdict."""
    around = surroundings(load_folder(demo_folder()))
    return replace(around, machine=replace(around.machine, guards={}))


def parsed(text: str) -> TrialFile:
    """The trials of a file's text."""
    return parse_trials(dedent(text), "t.yaml", demo())


def play(rows: str, head: str = "") -> Result:
    """The result of one trial with these rows and these keys before them."""
    text = "trials:\n  it:\n"
    text += indent(dedent(head), "    ")
    text += "    procedure:\n" + indent(dedent(rows), "      ")
    file = parse_trials(text, "t.yaml", demo())
    return VirtualRunner(demo()).run(file, file.trials[0])
