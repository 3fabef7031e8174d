"""The trials of a machine folder: read from disk, run, and put on record."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from softctl import __version__
from softctl.errors import Problem, ProblemsError, SoftctlError
from softctl.logic import Application, Revise
from softctl.runtime.folder import MachineFolder, compile_programs, read_text, shown_path
from softctl.runtime.records import record_hashes
from softctl.trial.coverage import Tracker
from softctl.trial.marks import Marker
from softctl.trial.model import Trial
from softctl.trial.mutation import Mutation, find_mutants, try_mutants
from softctl.trial.parse import Surroundings, TrialFile, parse_trials
from softctl.trial.report import Report
from softctl.trial.result import Result
from softctl.trial.run import VirtualRunner
from softctl.values.names import suggest

TRIALS = "trials"

Chosen = tuple[TrialFile, Trial]


@dataclass(frozen=True, slots=True)
class TrialFolder:
    """A machine folder with its trials, which have no errors."""

    folder: MachineFolder
    around: Surroundings
    files: tuple[TrialFile, ...]

    def trials(self) -> Iterator[Chosen]:
        """Every trial with its file, in the order of the files' names."""
        for file in self.files:
            for trial in file.trials:
                yield file, trial

    def choose(self, names: Sequence[str]) -> list[Chosen]:
        """The trials of these names, or of files of these names; all if there are none.

        Raises SoftctlError for a name of neither.
        """
        every = list(self.trials())
        if not names:
            return every
        chosen: dict[int, Chosen] = {}
        for name in names:
            found = [one for one in every if name in (one[1].name, Path(one[0].file).stem)]
            if not found:
                known = [trial.name for _, trial in every]
                hint = suggest(name, [*known, *(Path(file.file).stem for file in self.files)])
                text = f"expected the name of a trial ({', '.join(known) or 'none'}), got {name}"
                raise SoftctlError(f"{text}; {hint}" if hint else text)
            chosen.update((id(trial), (file, trial)) for file, trial in found)
        return list(chosen.values())


def surroundings(folder: MachineFolder) -> Surroundings:
    """What a folder's trials are about."""
    return Surroundings(folder.machine, folder.application, folder.build_plant(), folder.blocks)


def trial_paths(folder: Path) -> list[Path]:
    """The trial files of a machine folder."""
    return sorted((folder / TRIALS).glob("*.yaml"))


def load_trials(folder: MachineFolder) -> TrialFolder:
    """Read and check every trial file of a folder; raises ProblemsError with every error."""
    around = surroundings(folder)
    files: list[TrialFile] = []
    problems: list[Problem] = []
    for path in trial_paths(folder.path):
        try:
            files.append(parse_trials(read_text(path), shown_path(path), around))
        except ProblemsError as error:
            problems += error.problems
    problems += _doubled_names(files)
    if problems:
        raise ProblemsError(problems)
    return TrialFolder(folder, around, tuple(files))


def _doubled_names(files: Sequence[TrialFile]) -> Iterator[Problem]:
    """A trial is chosen by its name alone, so one folder has each name once."""
    first: dict[str, Trial] = {}
    for file in files:
        for trial in file.trials:
            other = first.setdefault(trial.name.upper(), trial)
            if other is not trial:
                message = f"expected names that no other trial has, got {trial.name} again"
                hint = f"the first stands at {other.place.file}:{other.place.line}"
                yield Problem(message, trial.place, hint=hint)


def with_marks(folder: MachineFolder) -> tuple[MachineFolder, Tracker]:
    """The same folder with marks in its programs, and what follows them."""
    marker = Marker()
    application = compile_programs(folder.machine, folder.programs, revise=marker)
    return replace(folder, application=application), Tracker(folder.machine, application, marker)


def run_trials(
    trials: TrialFolder,
    chosen: Sequence[Chosen],
    on_result: Callable[[Result], None],
    tracker: Tracker | None = None,
) -> Report:
    """Run trials in virtual time; `on_result` hears of each when it has ended."""
    runner = VirtualRunner(trials.around, tracker)
    started = datetime.now().astimezone()
    began_s = time.perf_counter()
    results = []
    for file, trial in chosen:
        result = runner.run(file, trial)
        results.append(result)
        on_result(result)
    wall_s = time.perf_counter() - began_s
    report = make_report(trials.folder, results, "virtual time", started, wall_s)
    if tracker is None:
        return report
    shown = trials.around.application.charts
    return replace(report, coverage=tracker.coverage(), charts=shown)


def run_mutants(
    trials: TrialFolder, chosen: Sequence[Chosen], on_tried: Callable[[int, int], None]
) -> Mutation:
    """Try every mutant of the folder's programs; `on_tried` hears how many of how many.

    The trials have to pass with the program as it is.
    """
    folder = trials.folder

    def build(revise: Revise) -> Application:
        return compile_programs(folder.machine, folder.programs, revise=revise)

    mutants = find_mutants(build)
    tried = []
    for one in try_mutants(VirtualRunner(trials.around), chosen, build, mutants):
        tried.append(one)
        on_tried(len(tried), len(mutants))
    return Mutation(tuple(tried))


def make_report(
    folder: MachineFolder,
    results: Sequence[Result],
    clock: str,
    started: datetime,
    wall_s: float,
) -> Report:
    """A run on record, with the hashes of the files that it rests on."""
    machine = folder.machine
    return Report(
        machine=machine.name,
        title=machine.title,
        clock=clock,
        started=started.isoformat(timespec="seconds"),
        version=__version__,
        hashes=record_hashes(folder.path, trial_paths(folder.path)),
        results=tuple(results),
        wall_s=wall_s,
    )
