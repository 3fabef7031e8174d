"""What remains of a run of trials: the machine, the software, the results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from softctl.logic import Chart
from softctl.trial.coverage import Coverage
from softctl.trial.mutation import Mutation
from softctl.trial.result import Outcome, Result


@dataclass(frozen=True, slots=True)
class Report:
    """One run.

    `clock` says how time ran ("virtual time" or "live at speed 1"), `started` is a date and
    time with its zone, `hashes` are SHA-256 of the files that the run rests on, by name.
    """

    machine: str
    title: str
    clock: str
    started: str
    version: str
    hashes: Mapping[str, str]
    results: Sequence[Result]
    wall_s: float
    coverage: Coverage | None = None
    charts: tuple[Chart, ...] = ()
    mutation: Mutation | None = None

    @property
    def failures(self) -> list[Result]:
        """The trials that failed."""
        return [result for result in self.results if result.failed]

    @property
    def not_run(self) -> list[Result]:
        """The trials that could not be run here."""
        return [result for result in self.results if result.not_run]

    @property
    def partial(self) -> list[Result]:
        """The trials of which some expectations could not be judged here."""
        return [result for result in self.results if result.is_partial]

    @property
    def simulated_s(self) -> float:
        """Machine time of all trials together."""
        return sum(result.duration_ns for result in self.results) / 1e9


def counts_text(result: Result) -> str:
    """`7 met, 1 not met`."""
    if result.not_run:
        return result.not_run
    counts = [(result.count(outcome), outcome.value) for outcome in Outcome]
    return ", ".join(f"{count} {word}" for count, word in counts if count) or "nothing expected"


def verdict_line(report: Report) -> str:
    """The whole run in one sentence."""
    total, failed = len(report.results), len(report.failures)
    words = f"{failed} of {total} trials failed" if failed else f"{total} of {total} trials passed"
    if report.not_run or report.partial:
        passed = sum(result.passed for result in report.results)
        others = ((report.partial, "run in part"), (report.not_run, "not run"))
        told = [f"{len(found)} {word}" for found, word in others if found]
        words = f"{passed} of {total} trials passed, {failed} failed, {', '.join(told)}"
    return (
        f"{words} ({report.simulated_s:.1f} s of machine time, {report.clock}, "
        f"in {report.wall_s:.2f} s)"
    )
