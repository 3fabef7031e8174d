"""What `softctl conform` shows while it runs and leaves behind."""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

import typer
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from softctl.conform import GROUPS, Case, Result, Verdict
from softctl.conform.page import to_html
from softctl.conform.report import Report, site_lines, summary
from softctl.conform.written import evidence_lines, to_json, to_junit
from softctl.errors import SoftctlError
from softctl.runtime.conform_lines import Dial

_WIDTH = 110
_LIST_WIDTH = 130
"""From here on, clauses stand beside the titles of cases and not under them."""

_REDRAW_S = 0.1
_BAR_CELLS = 40
_VERDICT_CELLS = 15
_STYLES = {
    Verdict.PASS: "green",
    Verdict.FAIL: "bold red",
    Verdict.NOT_SUPPORTED: "dim",
    Verdict.NOT_APPLICABLE: "dim",
}
_WORDS = {
    Verdict.PASS: "pass",
    Verdict.FAIL: "FAIL",
    Verdict.NOT_SUPPORTED: "not supported",
    Verdict.NOT_APPLICABLE: "not applicable",
}


@dataclass(frozen=True, slots=True)
class Files:
    """The files that a run writes."""

    json: Path | None
    junit: Path | None
    html: Path | None

    def require_writable(self) -> None:
        """Before the run rather than after it; raises SoftctlError."""
        for path in (self.json, self.junit, self.html):
            if path is not None and (path.is_dir() or not path.absolute().parent.is_dir()):
                raise SoftctlError(f"expected a file in a folder that exists, got {path}")

    def write(self, report: Report) -> None:
        """Write each that was asked for; raises SoftctlError."""
        forms = ((self.json, to_json), (self.junit, to_junit), (self.html, to_html))
        for path, form in forms:
            if path is None:
                continue
            try:
                path.write_text(form(report), encoding="utf-8")
            except OSError as error:
                raise SoftctlError(
                    f"expected to write {path}, got {error.strerror or error}"
                ) from error


class Progress:
    """The table of groups, redrawn on the terminal while the cases run."""

    def __init__(self, dial: Dial, cases: Sequence[Case]) -> None:
        self._title = f"{dial}: {len(cases)} cases"
        self._totals = Counter(case.group for case in cases)
        self._counts: dict[str, Counter[Verdict]] = {group: Counter() for group in self._totals}
        self._last = ""
        self._drawn_s = 0.0
        console = Console(stderr=True)
        self._live = Live(console=console, auto_refresh=False, transient=True)
        self._is_shown = console.is_terminal

    def __enter__(self) -> Self:
        if self._is_shown:
            self._live.start()
            self._draw()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def stop(self) -> None:
        """Clear the table away."""
        if self._is_shown:
            self._live.stop()
            self._is_shown = False

    def add(self, result: Result) -> None:
        """A case has ended."""
        self._counts[result.case.group][result.outcome.verdict] += 1
        self._last = result.case.id
        if self._is_shown and time.monotonic() - self._drawn_s > _REDRAW_S:
            self._draw()

    def _draw(self) -> None:
        done = sum(counts.total() for counts in self._counts.values())
        total = self._totals.total()
        filled = _BAR_CELLS * done // max(total, 1)
        bar = "█" * filled + "·" * (_BAR_CELLS - filled)
        line = Text(f"{bar} {done} of {total}  {self._last}")
        table = groups_table(self._totals, self._counts)
        self._live.update(Group(Text(self._title), table, line), refresh=True)
        self._drawn_s = time.monotonic()


def groups_table(totals: Counter[str], counts: dict[str, Counter[Verdict]]) -> Table:
    """How many cases of each group there are, and how they ended so far."""
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold", show_edge=False)
    table.add_column("group", no_wrap=True)
    table.add_column("cases", justify="right")
    for verdict in Verdict:
        table.add_column(verdict.value, justify="right", no_wrap=True)
    for group in GROUPS:
        if group in totals:
            table.add_row(group, str(totals[group]), *_cells(counts[group]))
    return table


def _cells(counts: Counter[Verdict]) -> list[Text]:
    return [
        Text(str(counts[verdict]), style=_STYLES[verdict]) if counts[verdict] else Text("·", "dim")
        for verdict in Verdict
    ]


def print_cases(cases: Sequence[Case], *, as_json: bool) -> None:
    """The groups and their cases, with the clause that each comes from."""
    if as_json:
        rows = [
            {"id": case.id, "group": case.group, "title": case.title, "clause": case.clause}
            for case in cases
        ]
        typer.echo(json.dumps(rows, indent=2, ensure_ascii=False))
        return
    console = _console()
    for group, about in GROUPS.items():
        found = [case for case in cases if case.group == group]
        if not found:
            continue
        console.print(Text(f"{group}: {about}, {len(found)} cases", style="bold"))
        table = Table(box=None, padding=(0, 2, 0, 0), show_header=False, show_edge=False)
        table.add_column(no_wrap=True, min_width=32)
        for case in found:
            title, clause = Text(case.title), Text(case.clause, "dim")
            if console.width >= _LIST_WIDTH:
                table.add_row(Text(case.id), title, clause)
            else:
                table.add_row(Text(case.id), Text("\n").join((title, clause)))
        console.print(Padding(table, (0, 0, 1, 2)))


def print_report(report: Report, *, as_json: bool, details: bool) -> None:
    """The result on standard output: as JSON, or as tables for a person."""
    if as_json:
        typer.echo(to_json(report))
        return
    console = _console()
    for part in _parts(report, details=details):
        console.print(part)


def _parts(report: Report, *, details: bool) -> list[RenderableType]:
    parts: list[RenderableType] = [Text(f"{report.server}, unit {report.site.unit}", "bold")]
    parts += [*[Text(f"  {line}") for line in site_lines(report.site)], Text()]
    for result in report.results if details else report.failures:
        parts += [_case(result), Text()]
    totals = Counter(result.case.group for result in report.results)
    counts = {group: report.counts(group) for group in totals}
    parts += [groups_table(totals, counts), Text()]
    parts += [Text(f"not put back: {address}", "bold red") for address in report.unrestored]
    parts.append(_verdict_line(report))
    return parts


def _case(result: Result) -> RenderableType:
    verdict, case = result.outcome.verdict, result.case
    lines = [result.outcome.reason] if result.outcome.reason else []
    lines += [case.clause, *evidence_lines(result.evidence)]
    table = Table.grid()
    table.add_column(width=_VERDICT_CELLS, no_wrap=True)
    table.add_column()
    table.add_row(
        Text(_WORDS[verdict], _STYLES[verdict]),
        Text.assemble((case.id, "bold"), f"  {case.title}"),
    )
    for line in lines:
        table.add_row("", Text(line))
    return table


def _verdict_line(report: Report) -> Text:
    failed, total = len(report.failures), len(report.results)
    words = f"{failed} of {total} cases failed" if failed else f"none of {total} cases failed"
    style = "bold red" if failed else "bold green"
    line = Text.assemble((words, style), f": {summary(report.counts())}")
    return line.append(f" ({report.duration_ns / 1e9:.1f} s)")


def _console() -> Console:
    console = Console(highlight=False)
    return console if console.is_terminal else Console(width=_WIDTH, highlight=False)
