"""Explorations of a machine folder, and the trials that show what they find."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from softctl.errors import ProblemsError, SoftctlError
from softctl.runtime.campaigns import as_text
from softctl.runtime.folder import load_folder
from softctl.runtime.trials import load_trials, surroundings
from softctl.trial.exploration import (
    Exploration,
    as_trial,
    explore,
    throughout_guards,
    values_at_rest,
)
from softctl.trial.explore import Breach, Discovery, Explorer
from softctl.trial.names import Names
from softctl.trial.parse import Surroundings, parse_trials
from softctl.trial.result import Result
from softctl.trial.run import VirtualRunner
from softctl.trial.shrinking import failure_key


@dataclass(frozen=True, slots=True)
class Shown:
    """A discovery with a trial that fails for the same reason, or empty where none does."""

    discovery: Discovery
    trial: str


@dataclass(frozen=True, slots=True)
class Explored:
    """An exploration of a folder, and how long it took."""

    exploration: Exploration
    shown: tuple[Shown, ...]
    wall_s: float


def explore_folder(
    folder: Path,
    *,
    seed: int,
    scans: int,
    throughout: bool,
    on_scans: Callable[[int], None] = lambda _: None,
) -> Explored:
    """Explore a folder's programs; with `throughout` also against what its trials declare so.

    Raises ProblemsError for errors in its files, SoftctlError where there is no program.
    """
    loaded = load_folder(folder)
    machine = loaded.machine
    around = surroundings(loaded)
    guards = list(machine.guards.values())
    if throughout:
        guards += throughout_guards([trial for _, trial in load_trials(loaded).trials()])
    names = Names(machine, loaded.application, around.plant)
    explorer = Explorer(machine, loaded.application, names, guards, values_at_rest(around))
    began_s = time.perf_counter()
    found = explore(explorer, seed=seed, scans=scans, on_scans=on_scans)
    wall_s = time.perf_counter() - began_s
    shown = [
        Shown(one, _trial(one, explorer, around, f"explored_{number}"))
        for number, one in enumerate(found.discoveries, 1)
    ]
    return Explored(found, tuple(shown), wall_s)


def _trial(discovery: Discovery, explorer: Explorer, around: Surroundings, name: str) -> str:
    """The discovery as a trial, if it goes wrong on the bench as well.

    There it may not: the bench begins with two scans on the plant's inputs, the first of them
    without a link.
    """
    text = as_text({"trials": {name: as_trial(discovery, explorer)}})
    try:
        file = parse_trials(text, f"{name}.yaml", around)
        result = VirtualRunner(around).run(file, file.trials[0])
    except (ProblemsError, SoftctlError):
        return ""
    return text if _shows(result, discovery.breach, around) else ""


def _shows(result: Result, breach: Breach, around: Surroundings) -> bool:
    """Whether a trial went wrong for the reason that was found."""
    if breach.guard is None:
        return bool(result.stopped)
    if breach.guard.name in around.machine.guards:
        told = f"guard {breach.guard.name} broken"
        return any(event.what.startswith(told) for event in result.events)
    return failure_key(result) == breach.text
