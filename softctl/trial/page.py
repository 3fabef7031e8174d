"""A report as one HTML page: no script, nothing fetched, readable in light, dark and print."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from importlib.resources import files

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
}
_CAUTION = (
    "What passed here was tested against a simulated machine, not against a real one. Softctl "
    "is a test harness and never a safety function: emergency stops and trips are hard-wired "
    "and designed by licensed people to the local code."
)


def to_html(report: Report) -> str:
    """The whole page; every text of the user is escaped."""
    title = f"Trial record: {report.title or report.machine}"
    style = files("softctl.trial").joinpath("page.css").read_text(encoding="utf-8")
    return "\n".join(
        [
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n<main>",
            f"<h1>{escape(title)}</h1>",
            *_head(report),
            *_overview(report),
            *(part for result in report.results for part in _trial(result)),
            *_coverage(report),
            *_mutation(report),
            *_hashes(report),
            *_signatures(),
            "</main>\n</body>\n</html>\n",
        ]
    )


def _head(report: Report) -> Iterator[str]:
    yield (
        f'<p class="soft">Machine {escape(report.machine)}, {escape(report.started)}, '
        f"{escape(report.clock)}, softctl {escape(report.version)}</p>"
    )
    kind, mark = ("bad", "✗") if report.failures else ("good", "✓")
    yield f'<p class="result {kind}">{mark} {escape(verdict_line(report))}</p>'
    yield f'<p class="soft">{escape(_CAUTION)}</p>'


def _overview(report: Report) -> Iterator[str]:
    yield '<div class="wide"><table><thead><tr><th>trial</th><th>verdict</th>'
    yield '<th>expectations</th><th class="time">machine time</th><th>what it shows</th></tr>'
    yield "</thead><tbody>"
    for result in report.results:
        trial = result.trial
        yield (
            f'<tr><td><a href="#{escape(trial.name)}">{escape(trial.name)}</a></td>'
            f"<td>{_trial_verdict(result)}</td><td>{escape(counts_text(result))}</td>"
            f'<td class="time">{result.duration_ns / 1e9:.2f} s</td>'
            f"<td>{escape(trial.text)}</td></tr>"
        )
    yield "</tbody></table></div>"


def _trial_verdict(result: Result) -> str:
    if result.not_run:
        return '<span class="verdict open">– not run</span>'
    if result.passed:
        return '<span class="verdict good">✓ passed</span>'
    return '<span class="verdict bad">✗ failed</span>'


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
    yield '<div class="wide"><table><thead><tr><th class="time">at</th><th>row</th>'
    yield "<th>found</th><th>verdict</th></tr></thead><tbody>"
    for row in rows:
        yield _deed(row) if isinstance(row, Deed) else _verdict(row)
    yield "</tbody></table></div>"


def _events(result: Result) -> Iterator[str]:
    """What the controller told meanwhile."""
    if result.events:
        told = "; ".join(f"{moment(event.at_ns)} {event.what}" for event in result.events)
        yield f'<p class="soft">Told by the controller: {escape(told)}</p>'


def _deed(deed: Deed) -> str:
    text = escape(deed.text or deed.what)
    more = f'<span class="code">{escape(deed.what)}</span>' if deed.text else ""
    at = moment(deed.at_ns)
    return f'<tr><td class="time">{at}</td><td>{text}{more}</td><td></td><td></td></tr>'


def _verdict(verdict: Verdict) -> str:
    kind, words = _MARKS[verdict.outcome]
    marked = ' class="broken"' if verdict.outcome is Outcome.NOT_MET else ""
    more = ""
    if verdict.text != verdict.expected:
        more = f'<span class="code">{escape(verdict.expected)}</span>'
    at = "" if verdict.outcome is Outcome.NOT_REACHED else moment(verdict.at_ns)
    return (
        f'<tr{marked}><td class="time">{at}</td><td>{escape(verdict.text)}{more}</td>'
        f'<td>{escape(verdict.found)}</td><td><span class="verdict {kind}">{words}</span></td></tr>'
    )


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
    yield '<div class="wide"><table><thead><tr><th>kind</th><th class="time">touched</th>'
    yield '<th class="time">of</th></tr></thead><tbody>'
    for kind, touched, total in coverage.counts():
        numbers = f'<td class="time">{touched}</td><td class="time">{total}</td>'
        yield f"<tr><td>{kind}</td>{numbers}</tr>"
    yield "</tbody></table></div>"
    for drawn in report.charts:
        caption = f"{drawn.program}: solid is touched, dashed and marked ✗ is not"
        drawing = chart_drawing(drawn, coverage)
        yield f"<figure>{drawing}<figcaption>{escape(caption)}</figcaption></figure>"
    untouched = coverage.untouched()
    if untouched:
        yield '<h3>Not touched</h3><div class="wide"><table><tbody>'
        for touch in untouched:
            cells = (touch.kind, touch.text, f"{touch.place.file}:{touch.place.line}")
            yield "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>"
        yield "</tbody></table></div>"


def _mutation(report: Report) -> Iterator[str]:
    """How many changes of the program the trials noticed, and those that they did not."""
    mutation = report.mutation
    if mutation is None:
        return
    yield "<h2>Changes of the program that the trials notice</h2>"
    yield '<div class="wide"><table><thead><tr><th>kind</th><th class="time">noticed</th>'
    yield '<th class="time">of</th></tr></thead><tbody>'
    for kind, noticed, total in mutation.counts():
        numbers = f'<td class="time">{noticed}</td><td class="time">{total}</td>'
        yield f"<tr><td>{kind}</td>{numbers}</tr>"
    yield "</tbody></table></div>"
    if mutation.unnoticed():
        yield '<h3>Not noticed</h3><div class="wide"><table><tbody>'
        for mutant in mutation.unnoticed():
            where = f"{mutant.place.file}:{mutant.place.line}"
            cells = (mutant.kind, mutant.text, where)
            yield "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>"
        yield "</tbody></table></div>"


def _hashes(report: Report) -> Iterator[str]:
    yield "<h2>What it rests on</h2>"
    yield '<div class="wide"><table><thead><tr><th>file or software</th><th>SHA-256</th></tr>'
    yield "</thead><tbody>"
    for name, digest in report.hashes.items():
        yield f'<tr><td>{escape(name)}</td><td class="hash code">{escape(digest)}</td></tr>'
    yield "</tbody></table></div>"


def _signatures() -> Iterator[str]:
    yield '<section class="sign"><h2>Signatures</h2><table class="sign"><thead><tr>'
    yield "<th></th><th>name</th><th>date</th><th>signature</th></tr></thead><tbody>"
    for who in ("carried out by", "witnessed by", "accepted by"):
        yield f"<tr><td>{who}</td><td></td><td></td><td></td></tr>"
    yield "</tbody></table></section>"
