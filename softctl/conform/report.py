"""What remains of a run: the server, the results, and what to say about them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from softctl.conform.cases import Result
from softctl.conform.site import Site
from softctl.conform.steps import Verdict
from softctl.conform.table import GROUPS
from softctl.values.tables import Table


@dataclass(frozen=True, slots=True)
class Report:
    """One run.

    `server` is HOST:PORT, `started` a date and time with its zone, `version` softctl's;
    `unrestored` names addresses whose values could not be written back.
    """

    server: str
    started: str
    version: str
    site: Site
    results: Sequence[Result]
    duration_ns: int
    unrestored: Sequence[str] = ()

    @property
    def failures(self) -> list[Result]:
        """The results of the cases that the server failed."""
        return [result for result in self.results if result.is_failure]

    def counts(self, group: str | None = None) -> Counter[Verdict]:
        """How many cases, of one group or of all, ended with each verdict."""
        return Counter(
            result.outcome.verdict
            for result in self.results
            if group is None or result.case.group == group
        )

    def groups(self) -> Iterator[tuple[str, list[Result]]]:
        """Each group that has results, in order."""
        for group in GROUPS:
            results = [result for result in self.results if result.case.group == group]
            if results:
                yield group, results


def summary(counts: Counter[Verdict]) -> str:
    """Counts in words: "300 pass, 2 fail, 10 not supported"."""
    return ", ".join(f"{counts[verdict]} {verdict.value}" for verdict in Verdict if counts[verdict])


def site_lines(site: Site) -> Iterator[str]:
    """What was found out about the server, one line for each table and thing to know."""
    for table in Table:
        area = site.area(table)
        known = f"{area.known} exist" if area.known else "none found"
        if area.known and not area.is_bounded:
            known += ", end not found"
        if area.writable:
            known += f"; {area.writable} may be written"
        if area.refusal:
            known += f"; {area.refusal}"
        yield f"{table.value}: {known}"
    for number, records in site.files.items():
        yield f"file {number}: records {records} may be written"
