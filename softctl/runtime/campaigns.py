"""Campaigns of a machine folder, run by as many processes as are wanted.

A run is known by its number alone: its draw comes from seed, campaign and number. So what
is found does not depend on how the runs are shared out.
"""

from __future__ import annotations

import io
import multiprocessing
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from softctl.errors import ProblemsError, SoftctlError
from softctl.machine.document import Plain
from softctl.runtime.dask_runs import scheduled
from softctl.runtime.folder import load_folder, read_text, shown_path
from softctl.runtime.trials import surroundings
from softctl.trial.campaign import Campaign, CampaignFile, Draw, parse_campaigns, plain_trial
from softctl.trial.result import Result
from softctl.trial.run import VirtualRunner
from softctl.trial.shrinking import failure_key, shrink
from softctl.values.names import suggest

CAMPAIGNS = "campaigns"
_RUNS_A_TASK = 8
_TASKS_A_WORKER = 8


@dataclass(frozen=True, slots=True)
class Run:
    """How one run ended: what went wrong in it, or empty, and how long it was."""

    number: int
    failure: str
    duration_ns: int


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that went wrong: in which runs, and the shortest trial that shows it."""

    failure: str
    runs: tuple[int, ...]
    trial: str
    rows: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """A campaign that was run."""

    campaign: str
    seed: int
    runs: int
    simulated_s: float
    wall_s: float
    findings: tuple[Finding, ...]


class Field:
    """A campaign of a folder, ready to run in this process."""

    def __init__(self, folder: Path, file: Path, name: str, seed: int) -> None:
        around = surroundings(load_folder(folder))
        self.file: CampaignFile = parse_campaigns(read_text(file), shown_path(file), around)
        self.campaign: Campaign = next(c for c in self.file.campaigns if c.name == name)
        self._seed = seed
        self._runner = VirtualRunner(around)

    def draw(self, number: int) -> Draw:
        """What happens in a run."""
        return self.campaign.draw(number, self._seed)

    def play(self, draw: Draw) -> Result:
        """Run a draw as a trial."""
        entry = self.campaign.trial(draw)
        trials = self.file.trial_file(entry, self.campaign.name, self.campaign.place)
        self._runner.forget_plants()
        return self._runner.run(trials, trials.trials[0])

    def run(self, number: int) -> Run:
        """Run a number; a draw that is no trial, such as a level above its tank, is told."""
        try:
            result = self.play(self.draw(number))
        except ProblemsError as error:
            message = str(error.problems[0])
            raise SoftctlError(f"run {number} of {self.campaign.name}: {message}") from None
        return Run(number, failure_key(result), result.duration_ns)


def find_campaigns(folder: Path, names: Sequence[str]) -> list[tuple[Path, str]]:
    """The campaigns of a folder by file and name; raises ProblemsError, SoftctlError."""
    around = surroundings(load_folder(folder))
    found: list[tuple[Path, str]] = []
    for path in sorted((folder / CAMPAIGNS).glob("*.yaml")):
        file = parse_campaigns(read_text(path), shown_path(path), around)
        found += [(path, campaign.name) for campaign in file.campaigns]
    known = [name for _, name in found]
    for name in names:
        if name not in known:
            text = f"expected the name of a campaign ({', '.join(known) or 'none'}), got {name}"
            hint = suggest(name, known)
            raise SoftctlError(f"{text}; {hint}" if hint else text)
    return [pair for pair in found if not names or pair[1] in names]


def run_campaign(
    folder: Path,
    where: tuple[Path, str],
    *,
    runs: int,
    seed: int,
    workers: int,
    on_run: Callable[[Run], None],
    scheduler: str = "",
) -> Outcome:
    """Run a campaign and shrink one run of each thing that went wrong.

    With the address of a Dask scheduler its workers do the runs.
    """
    file, name = where
    began_s = time.perf_counter()
    field = Field(folder, file, name, seed)
    failed: dict[str, list[int]] = {}
    simulated_ns = 0
    origin = (folder.resolve(), file.resolve(), name, seed)
    for run in _runs(field, origin, runs, workers, scheduler):
        on_run(run)
        simulated_ns += run.duration_ns
        if run.failure:
            failed.setdefault(run.failure, []).append(run.number)
    findings = [_finding(field, failure, sorted(ns)) for failure, ns in sorted(failed.items())]
    wall_s = time.perf_counter() - began_s
    return Outcome(name, seed, runs, simulated_ns / 1e9, wall_s, tuple(findings))


def usable_workers() -> int:
    """How many processors this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity is not None else os.cpu_count() or 1


def _runs(
    field: Field,
    origin: tuple[Path, Path, str, int],
    runs: int,
    workers: int,
    scheduler: str,
) -> Iterator[Run]:
    if scheduler:
        starts = range(0, runs, _RUNS_A_TASK)
        tasks = [range(start, min(start + _RUNS_A_TASK, runs)) for start in starts]
        yield from scheduled(scheduler, Field, origin, tasks)
        return
    if workers == 1:
        yield from map(field.run, range(runs))
        return
    try:
        with _pool(field, origin, workers) as pool:
            yield from pool.map(_run, range(runs), chunksize=runs_a_task(runs, workers))
    finally:
        _field.clear()


def runs_a_task(runs: int, workers: int) -> int:
    """How many runs a worker is given at once: few enough that all end at about the same time."""
    return max(1, min(_RUNS_A_TASK, runs // (_TASKS_A_WORKER * workers)))


def _pool(field: Field, origin: tuple[Path, Path, str, int], workers: int) -> ProcessPoolExecutor:
    """Processes that have the campaign: forked with it where that is sound, else they make it.

    A process with threads must not be forked: what they have locked stays locked in the child.
    """
    if sys.platform == "linux" and threading.active_count() == 1:
        _field[:] = [field]
        return ProcessPoolExecutor(workers, multiprocessing.get_context("fork"))
    return ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), _begin, origin)


_field: list[Field] = []
"""The campaign of a worker process: inherited, or made once when it begins."""


def _begin(*origin: Any) -> None:
    _field[:] = [Field(*origin)]


def _run(number: int) -> Run:
    return _field[0].run(number)


def _finding(field: Field, failure: str, numbers: list[int]) -> Finding:
    draw = shrink(field.draw(numbers[0]), failure, field.play)
    entry = field.campaign.trial(draw)
    name = f"{field.campaign.name}_{numbers[0]}"
    text = as_text(plain_trial(name, entry))
    return Finding(failure, tuple(numbers), text, len(draw.happenings))


def as_text(document: dict[str, Plain]) -> str:
    """A document as the text of its file."""
    text = io.StringIO()
    yaml = YAML(typ="safe", pure=True)
    yaml.default_flow_style = False
    yaml.width = 100
    yaml.sort_base_mapping_type_on_output = False  # type: ignore[assignment]
    yaml.dump(document, text)
    return text.getvalue()
