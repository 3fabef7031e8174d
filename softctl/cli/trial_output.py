"""What `softctl trial` shows while it runs and leaves behind."""

from __future__ import annotations

from collections.abc import Sequence
from types import TracebackType
from typing import Self

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from softctl.runtime.records import RecordFiles
from softctl.runtime.trials import Chosen
from softctl.trial.coverage import Coverage
from softctl.trial.mutation import Mutation
from softctl.trial.page import to_html
from softctl.trial.report import Report, counts_text, verdict_line
from softctl.trial.result import Outcome, Result, Verdict
from softctl.trial.wording import moment
from softctl.trial.written import to_json, to_junit

_WIDTH = 120
_STYLES = {
    Outcome.MET: "green",
    Outcome.NOT_MET: "bold red",
    Outcome.NOT_REACHED: "yellow",
    Outcome.NOT_RUN: "yellow",
}


def write_files(files: RecordFiles, report: Report) -> None:
    """Write the record as each file that was asked for; raises SoftctlError."""
    files.write(
        {
            "json": lambda: to_json(report),
            "junit": lambda: to_junit(report),
            "html": lambda: to_html(report),
        }
    )


class Progress:
    """One line on a terminal while the trials run."""

    def __init__(self, total: int) -> None:
        self._console = Console(stderr=True, highlight=False)
        self._total = total
        self._done = 0
        self._failed = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._console.is_terminal and self._done:
            self._console.print(" " * 60, end="\r")

    def add(self, result: Result) -> None:
        """A trial has ended."""
        self._done += 1
        self._failed += result.failed
        self._say(f"{self._done} of {self._total} trials, {self._failed} failed")

    def add_mutants(self, done: int, total: int) -> None:
        """So many mutants were tried."""
        self._say(f"{done} of {total} changed programs")

    def _say(self, text: str) -> None:
        if self._console.is_terminal:
            self._console.print(f"{text:<60}", end="\r")


def print_list(chosen: Sequence[Chosen]) -> None:
    """The trials with their texts, by file."""
    table = _table("trial", "text", "file")
    for file, trial in chosen:
        table.add_row(Text(trial.name), Text(trial.text), Text(file.file, "dim"))
    _console().print(table)


def print_report(report: Report, *, as_json: bool, details: bool) -> None:
    """The result on standard output: as JSON, or as tables for a person."""
    if as_json:
        typer.echo(to_json(report))
        return
    console = _console()
    console.print(Text(f"{report.machine}: {report.title}", "bold"))
    console.print(_overview(report))
    for result in report.results if details else (*report.failures, *report.partial):
        console.print()
        console.print(Text(f"{result.trial.name}: {result.trial.text}", "bold"))
        if result.stopped:
            console.print(Text(f"  stopped: {result.stopped}", "bold red"))
        for verdict in result.verdicts:
            if details or verdict.outcome is not Outcome.MET:
                _print_verdict(console, verdict)
    if report.coverage is not None:
        _print_coverage(console, report.coverage)
    if report.mutation is not None:
        _print_mutation(console, report.mutation)
    console.print()
    console.print(Text(verdict_line(report), "bold red" if report.failures else "bold green"))


def _print_coverage(console: Console, coverage: Coverage) -> None:
    """How much of each kind was touched, and what was not, by file and line."""
    console.print()
    table = _table("coverage", "touched", "of")
    for kind, touched, total in coverage.counts():
        table.add_row(Text(kind), Text(str(touched)), Text(str(total)))
    console.print(table)
    untouched = coverage.untouched()
    if untouched:
        console.print()
        console.print(Text("No trial touched:", "bold"))
    for touch in untouched:
        where = f"{touch.place.file}:{touch.place.line}"
        console.print(Text.assemble(f"  {touch.kind:<11} {touch.text}  ", (where, "dim")))


def _print_mutation(console: Console, mutation: Mutation) -> None:
    """How many mutants of each kind were noticed, and those that were not."""
    console.print()
    table = _table("change of the program", "noticed", "of")
    for kind, noticed, total in mutation.counts():
        table.add_row(Text(kind), Text(str(noticed)), Text(str(total)))
    console.print(table)
    if mutation.unnoticed():
        console.print()
        console.print(Text("No trial noticed:", "bold"))
    for mutant in mutation.unnoticed():
        where = f"{mutant.place.file}:{mutant.place.line}"
        console.print(Text.assemble(f"  {mutant.kind:<18} {mutant.text}  ", (where, "dim")))


def _overview(report: Report) -> Table:
    table = _table("trial", "verdict", "expectations", "machine time", "text")
    for result in report.results:
        word, style = ("passed", "green") if result.passed else ("FAILED", "bold red")
        if result.not_run or result.is_partial:
            word, style = "run in part" if result.is_partial else "not run", "yellow"
        table.add_row(
            Text(result.trial.name),
            Text(word, style),
            Text(counts_text(result)),
            Text(f"{result.duration_ns / 1e9:.2f} s"),
            Text(result.trial.text, "dim"),
        )
    return table


def _print_verdict(console: Console, verdict: Verdict) -> None:
    head = Text.assemble(
        (f"  {verdict.outcome.value:<12}", _STYLES[verdict.outcome]),
        f"{moment(verdict.at_ns):>11}  ",
        verdict.text,
        (f"  {verdict.place.file}:{verdict.place.line}", "dim"),
    )
    console.print(head)
    if verdict.text != verdict.expected:
        console.print(Text(f"{'expected':>26}  {verdict.expected}"))
    console.print(Text(f"{'found':>26}  {verdict.found}"))


def _table(*titles: str) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold", show_edge=False)
    for title in titles:
        table.add_column(title, no_wrap=title not in ("text", "expectations"))
    return table


def _console() -> Console:
    console = Console(highlight=False)
    return console if console.is_terminal else Console(width=_WIDTH, highlight=False)
