"""A report as one HTML page: no script, nothing fetched, readable in light, dark and print."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from html import escape

from softctl.errors import Place
from softctl.paper import (
    Basis,
    Column,
    document,
    hash_table,
    headline,
    mark,
    opening,
    signatures,
    table,
)
from softctl.trial.chart_drawing import chart_drawing
from softctl.trial.drawings import timeline, trend
from softctl.trial.model import Trial
from softctl.trial.report import Report, counts_text, verdict_line
from softctl.trial.result import Deed, Outcome, Result, Verdict
from softctl.trial.wording import moment

_MARKS = {
    Outcome.MET: ("good", "✓ met"),
    Outcome.NOT_MET: ("bad", "✗ not met"),
    Outcome.NOT_REACHED: ("open", "– not reached"),
    Outcome.NOT_RUN: ("open", "– not run"),
}
_ABOUT = "What passed here was tested against a simulated machine, not against a real one."


def to_html(report: Report) -> str:
    """The whole page; every text of the user is escaped."""
    basis = Basis(report.machine, report.title, report.started, report.version, report.hashes)
    return document(
        f"Trial record: {report.title or report.machine}",
        [
            opening(basis, report.clock),
            *headline(verdict_line(report), is_good=not report.failures, about=_ABOUT),
            *_overview(report),
            *(part for result in report.results for part in _trial(result)),
            *_coverage(report),
            *_mutation(report),
            *hash_table(basis),
            *signatures(),
        ],
    )


def _overview(report: Report) -> Iterator[str]:
    yield from table(
        ["trial", "verdict", "expectations", Column("machine time", True), "what it shows"],
        (
            (
                f'<a href="#{escape(one.trial.name)}">{escape(one.trial.name)}</a>',
                _trial_verdict(one),
                escape(counts_text(one)),
                f"{one.duration_ns / 1e9:.2f} s",
                escape(one.trial.text),
            )
            for one in report.results
        ),
    )


def _trial_verdict(result: Result) -> str:
    if result.not_run:
        return mark("open", "– not run")
    if result.is_partial:
        return mark("open", "– run in part")
    return mark("good", "✓ passed") if result.passed else mark("bad", "✗ failed")


def _trial(result: Result) -> Iterator[str]:
    trial = result.trial
    name = escape(trial.name)
    yield f'<section><h2 id="{name}">{name} {_trial_verdict(result)}</h2>'
    if trial.text:
        yield f"<p>{escape(trial.text)}</p>"
    yield f'<p class="soft">{escape(_where(trial))}</p>'
    if result.stopped or result.not_run:
        word = "Stopped" if result.stopped else "Not run"
        yield f'<p class="bad">{word}: {escape(result.stopped or result.not_run)}</p>'
    yield from _rows(result)
    yield from _events(result)
    drawing = timeline(result)
    if drawing:
        caption = "Active steps; thin lines: what was done; red marks: what was not met"
        yield f"<figure>{drawing}<figcaption>{caption}</figcaption></figure>"
    for verdict in result.verdicts:
        if verdict.window is not None:
            yield from _failure(verdict)
    yield "</section>"


def _where(trial: Trial) -> str:
    parts = [f"{trial.place.file}:{trial.place.line}"]
    given = [
        f"{name}.{key} = {scalar.value}"
        for name, keys in trial.equipment.items()
        for key, scalar in keys.items()
    ]
    given += [f"{name} set" for name in trial.settings]
    return ", ".join(parts) + (f"; given: {', '.join(given)}" if given else "")


def _rows(result: Result) -> Iterator[str]:
    """What was done and what was expected, in the order of the file."""
    rows: list[Deed | Verdict] = [*result.deeds, *result.verdicts]
    rows.sort(key=lambda row: row.place.line)
    if not rows:
        return
    yield from table(
        [Column("at", True), "row", "found", "verdict"],
        (_deed(row) if isinstance(row, Deed) else _verdict(row) for row in rows),
        broken=[isinstance(r, Verdict) and r.outcome is Outcome.NOT_MET for r in rows],
    )


def _events(result: Result) -> Iterator[str]:
    """What the controller told meanwhile."""
    if result.events:
        told = "; ".join(f"{moment(event.at_ns)} {event.what}" for event in result.events)
        yield f'<p class="soft">Told by the controller: {escape(told)}</p>'


def _deed(deed: Deed) -> tuple[str, ...]:
    text = escape(deed.text or deed.what)
    more = f'<span class="code">{escape(deed.what)}</span>' if deed.text else ""
    return moment(deed.at_ns), f"{text}{more}", "", ""


def _verdict(verdict: Verdict) -> tuple[str, ...]:
    more = ""
    if verdict.text != verdict.expected:
        more = f'<span class="code">{escape(verdict.expected)}</span>'
    is_open = verdict.outcome in (Outcome.NOT_REACHED, Outcome.NOT_RUN)
    at = "" if is_open else moment(verdict.at_ns)
    found = escape(verdict.found)
    return at, f"{escape(verdict.text)}{more}", found, mark(*_MARKS[verdict.outcome])


def _failure(verdict: Verdict) -> Iterator[str]:
    assert verdict.window is not None
    drawing = trend(verdict.window, verdict.at_ns)
    if drawing:
        caption = escape(f"{verdict.text}: not met at {moment(verdict.at_ns)}")
        yield f"<figure>{drawing}<figcaption>{caption}</figcaption></figure>"


def _coverage(report: Report) -> Iterator[str]:
    """How much was touched, what was not, and the charts."""
    coverage = report.coverage
    if coverage is None:
        return
    yield "<h2>What the trials touched</h2>"
    yield from _counts("touched", coverage.counts())
    for drawn in report.charts:
        caption = f"{drawn.program}: solid is touched, dashed and marked ✗ is not"
        drawing = chart_drawing(drawn, coverage)
        yield f"<figure>{drawing}<figcaption>{escape(caption)}</figcaption></figure>"
    untouched = coverage.untouched()
    if untouched:
        yield "<h3>Not touched</h3>"
        rows = [(one.kind, one.text, one.place) for one in untouched]
        yield from _places(rows)


def _counts(done: str, counts: Iterable[tuple[str, int, int]]) -> Iterator[str]:
    rows = ((escape(kind), str(some), str(total)) for kind, some, total in counts)
    yield from table(["kind", Column(done, True), Column("of", True)], rows)


def _places(found: Iterable[tuple[str, str, Place]]) -> Iterator[str]:
    rows = ((kind, text, f"{place.file}:{place.line}") for kind, text, place in found)
    yield from table([""] * 3, (tuple(map(escape, row)) for row in rows))


def _mutation(report: Report) -> Iterator[str]:
    """How many changes of the program the trials noticed, and those that they did not."""
    mutation = report.mutation
    if mutation is None:
        return
    yield "<h2>Changes of the program that the trials notice</h2>"
    yield from _counts("noticed", mutation.counts())
    if mutation.unnoticed():
        yield "<h3>Not noticed</h3>"
        yield from _places((one.kind, one.text, one.place) for one in mutation.unnoticed())
