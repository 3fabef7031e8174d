"""A report as one HTML page: no script, nothing fetched, readable in light, dark and print."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from importlib.resources import files

from softctl.conform.cases import CLAUSES, Result
from softctl.conform.report import Report, site_lines, summary
from softctl.conform.steps import Verdict
from softctl.conform.table import GROUPS
from softctl.conform.written import evidence_lines

_MARKS = {
    Verdict.PASS: ("pass", "✓ pass"),
    Verdict.FAIL: ("fail", "✗ FAIL"),
    Verdict.NOT_SUPPORTED: ("quiet", "– not supported"),
    Verdict.NOT_APPLICABLE: ("quiet", "– not applicable"),
}


def to_html(report: Report) -> str:
    """The whole page; every text of the server or the user is escaped."""
    title = f"Modbus/TCP conformance of {report.server}"
    style = files("softctl.conform").joinpath("page.css").read_text(encoding="utf-8")
    return "\n".join(
        [
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{escape(title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n<main>",
            f"<h1>{escape(title)}</h1>",
            *_head(report),
            *_groups_table(report),
            *_failures(report),
            *_all_cases(report),
            *_foot(),
            "</main>\n</body>\n</html>\n",
        ]
    )


def _head(report: Report) -> Iterator[str]:
    started = report.started.replace("T", " ")
    yield (
        f'<p class="soft">Unit {report.site.unit}, {escape(started)}, '
        f"{report.duration_ns / 1e9:.1f} s, softctl {escape(report.version)}</p>"
    )
    failed = len(report.failures)
    kind = "bad" if failed else "good"
    words = f"✗ {failed} of {len(report.results)} cases failed" if failed else "✓ No case failed"
    yield f'<p class="result {kind}"><b>{words}</b>: {escape(summary(report.counts()))}</p>'
    lines = "".join(f"<li>{escape(line)}</li>" for line in site_lines(report.site))
    yield f'<ul class="site">{lines}</ul>'
    for address in report.unrestored:
        yield f"<p><b>Not put back: {escape(address)}</b></p>"


def _groups_table(report: Report) -> Iterator[str]:
    yield '<table class="groups"><thead><tr><th>group</th><th>what it is about</th>'
    yield "".join(f'<th class="number">{escape(verdict.value)}</th>' for verdict in Verdict)
    yield "</tr></thead><tbody>"
    for group, _ in report.groups():
        counts = report.counts(group)
        cells = "".join(_count(counts[verdict], verdict) for verdict in Verdict)
        about = escape(GROUPS[group])
        yield f'<tr><td><a href="#{group}">{group}</a></td><td>{about}</td>{cells}</tr>'
    yield "</tbody></table>"


def _count(count: int, verdict: Verdict) -> str:
    if not count:
        return '<td class="number none">·</td>'
    if verdict is Verdict.FAIL:
        return f'<td class="number"><span class="verdict fail">✗ {count}</span></td>'
    return f'<td class="number">{count}</td>'


def _failures(report: Report) -> Iterator[str]:
    if report.failures:
        yield "<h2>What failed</h2>"
        yield from (_case(result) for result in report.failures)


def _all_cases(report: Report) -> Iterator[str]:
    for group, results in report.groups():
        yield f'<h2 id="{group}">{group}: {escape(GROUPS[group])}</h2>'
        yield from (_case(result) for result in results)


def _case(result: Result) -> str:
    case, outcome = result.case, result.outcome
    kind, words = _MARKS[outcome.verdict]
    reason = f'<span class="reason">{escape(outcome.reason)}</span>' if outcome.reason else ""
    lines = evidence_lines(result.evidence)
    evidence = f"<pre>{escape(chr(10).join(lines))}</pre>" if lines else ""
    marked = ' class="fail-case"' if result.is_failure else ""
    return (
        f"<details{marked}><summary>"
        f'<span class="verdict {kind}">{words}</span><span class="id">{escape(case.id)}</span>'
        f'<span><span class="title">{escape(case.title)}</span>{reason}</span></summary>'
        f'<div class="body"><p class="soft">{escape(case.clause)}</p>{evidence}</div>'
        "</details>"
    )


def _foot() -> Iterator[str]:
    yield "<h2>Sources and reading</h2>"
    for short, long in CLAUSES.items():
        yield f"<p><b>{escape(short)}</b>: {escape(long)}</p>"
    yield (
        '<p class="soft">The number in brackets is the connection of the case; what was sent and '
        "received is in hex, header included. “Not supported” means that the server refuses the "
        "function, as it may; “not applicable” that the case needs something that this server or "
        "this run does not have.</p>"
    )
