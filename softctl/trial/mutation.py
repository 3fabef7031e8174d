"""Which changes of a program its trials notice."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from softctl.errors import ProblemsError
from softctl.logic import Application, Revise
from softctl.trial.model import Trial
from softctl.trial.mutants import Mutant, Mutator
from softctl.trial.parse import TrialFile
from softctl.trial.run import VirtualRunner

Build = Callable[[Revise], Application]
"""Compiles the programs with their trees revised; raises ProblemsError."""
Chosen = tuple[TrialFile, Trial]


@dataclass(frozen=True, slots=True)
class Tried:
    """A mutant that the trials met: the trial that noticed it, or empty if none did.

    `is_built` is false for one that is no program any more: the compiler noticed it.
    """

    mutant: Mutant
    noticed_by: str
    is_built: bool = True


@dataclass(frozen=True, slots=True)
class Mutation:
    """All mutants of a program."""

    tried: tuple[Tried, ...]

    def counts(self) -> list[tuple[str, int, int]]:
        """(kind, noticed, all) of each kind, without those that are no program."""
        built = [one for one in self.tried if one.is_built]
        total = Counter(one.mutant.kind for one in built)
        noticed = Counter(one.mutant.kind for one in built if one.noticed_by)
        return [(kind, noticed[kind], total[kind]) for kind in total]

    def unnoticed(self) -> list[Mutant]:
        """The mutants that no trial noticed."""
        return [one.mutant for one in self.tried if one.is_built and not one.noticed_by]


def find_mutants(build: Build) -> list[Mutant]:
    """Every mutant of a program; raises ProblemsError if the program itself has errors."""
    finder = Mutator()
    build(finder)
    return finder.mutants


def try_mutants(
    runner: VirtualRunner, chosen: Sequence[Chosen], build: Build, mutants: Iterable[Mutant]
) -> Iterable[Tried]:
    """Run the trials on each mutant until one notices it.

    A trial that noticed the last one goes first: neighbours are noticed by the same.
    """
    order = list(chosen)
    for mutant in mutants:
        try:
            application = build(Mutator(mutant.number))
        except ProblemsError:
            yield Tried(mutant, "", is_built=False)
            continue
        mutated = runner.running(application)
        noticed = next((one for one in order if mutated.run(*one).failed), None)
        if noticed is not None:
            order.remove(noticed)
            order.insert(0, noticed)
        yield Tried(mutant, "" if noticed is None else noticed[1].name)
