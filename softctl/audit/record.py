"""An audit's record as JSON, as CSV and as a page."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, fields
from html import escape

from softctl.audit.report import AuditReport, PointUse
from softctl.audit.scene import Finding, Severity
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

_ABOUT = (
    "Graded is what the HMI asked over Modbus/TCP in that time, not what its screens showed, "
    "in front of a simulated machine."
)
_MARKS = {
    Severity.ERROR: ("bad", "✗ error"),
    Severity.WARNING: ("bad", "! warning"),
    Severity.ADVICE: ("open", "– advice"),
}
_NAMES = {
    Severity.ERROR: ("error", "errors"),
    Severity.WARNING: ("warning", "warnings"),
    Severity.ADVICE: ("piece of advice", "pieces of advice"),
}
_USES = {"used": "good", "written": "good", "too slow": "bad", "never used": "open"}
_DEVICES_SHOWN = 6


def to_json(report: AuditReport, basis: Basis) -> str:
    """The whole record as JSON."""
    found = asdict(report)
    for finding in found["findings"]:
        finding["severity"] = finding["severity"].value
    found |= {
        "clean": report.is_clean,
        "coverage": report.coverage,
        "unused": report.unused,
        "started": basis.started,
        "softctl": basis.version,
        "sha256": dict(basis.hashes),
    }
    return json.dumps(found, indent=2) + "\n"


def to_csv(report: AuditReport) -> str:
    """How each point is used by each host (RFC 4180)."""
    out = io.StringIO()
    writer = csv.DictWriter(out, [one.name for one in fields(PointUse)])
    writer.writeheader()
    writer.writerows(asdict(use) for use in report.uses)
    return out.getvalue()


def to_html(report: AuditReport, basis: Basis) -> str:
    """The whole page; every text of a client is escaped."""
    return document(
        f"Audit record: {basis.title or report.machine}",
        [
            opening(basis, f"{report.seconds:.0f} s", *_counts(report)),
            *headline(_verdict(report), is_good=_is_good(report), about=_ABOUT),
            *_findings(report),
            *_coverage(report),
            *_uses(report),
            *hash_table(basis),
            *signatures(),
        ],
    )


def findings_line(report: AuditReport) -> str:
    """All findings in one sentence."""
    if not report.requests:
        return "Nobody asked for anything"
    counts = Counter(finding.severity for finding in report.findings)
    words = (
        many(counts[severity], *names) for severity, names in _NAMES.items() if counts[severity]
    )
    return ", ".join(words) or "No findings"


def _verdict(report: AuditReport) -> str:
    used = f"; {report.covered} of {report.total} points used" if report.requests else ""
    return findings_line(report) + used


def _is_good(report: AuditReport) -> bool:
    return report.is_clean and report.requests > 0


def many(count: int, one: str, more: str = "") -> str:
    """`1 device`, `2 devices`."""
    return f"{count} {one if count == 1 else more or f'{one}s'}"


def _counts(report: AuditReport) -> Iterator[str]:
    if report.devices:
        yield many(len(report.devices), "device")
    yield many(len(report.clients), "connection")
    yield many(report.requests, "request")


def _findings(report: AuditReport) -> Iterator[str]:
    if not report.findings:
        return
    yield "<h2>Findings</h2>"
    yield from table(
        ["", "what", "evidence", Column("at", True), Column("times", True), "advice"],
        (_finding(finding, report) for finding in report.findings),
        broken=[finding.severity is Severity.ERROR for finding in report.findings],
    )
    if report.dropped:
        yield f'<p class="soft">{report.dropped} events were too many to keep.</p>'


def _finding(finding: Finding, report: AuditReport) -> tuple[str, ...]:
    evidence = escape(f"{finding.client} {finding.message}")
    if finding.devices:
        shown = ", ".join(finding.devices[:_DEVICES_SHOWN])
        of = f"{len(finding.devices)} of {len(report.devices)} devices: {shown}"
        evidence += f'<span class="code">{escape(of)}</span>'
    frame = f'<span class="code">{escape(finding.frame)}</span>' if finding.frame else ""
    return (
        mark(*_MARKS[finding.severity]),
        f'{escape(finding.kind)}<span class="code">{escape(finding.subject)}</span>',
        evidence + frame,
        f"{finding.at_s:.3f} s",
        str(finding.count),
        escape(finding.advice),
    )


def _coverage(report: AuditReport) -> Iterator[str]:
    yield "<h2>What the screens use</h2>"
    share = f"{report.covered} of {report.total} points ({100 * report.coverage:.0f} %)"
    yield f"<p>{share} were read or written.</p>"
    if report.silent:
        shown = ", ".join(report.silent)
        yield f"<p>Nobody asked {escape(shown)}.</p>"
    if report.unused and report.used:
        yield f"<p>No screen shows: {escape(', '.join(report.unused))}.</p>"


def _uses(report: AuditReport) -> Iterator[str]:
    """A row for each point and host; nothing where nobody was there."""
    if not report.used:
        return
    numbers = ("reads", "writes", "least", "median", "99 %", "required")
    yield from table(
        ["point", "client", "function, block", *(Column(name, True) for name in numbers), "use"],
        (_use(use) for use in report.uses),
        broken=[use.verdict == "too slow" for use in report.uses],
    )


def _use(use: PointUse) -> tuple[str, ...]:
    block = f"{use.function}, {use.block}" if use.function else ""
    times = (use.minimum_s, use.median_s, use.p99_s, use.required_s)
    return (
        escape(use.point),
        escape(use.client),
        f'<span class="soft">{escape(block)}</span>',
        str(use.reads),
        str(use.writes),
        *("" if time is None else f"{time:.3g} s" for time in times),
        mark(_USES[use.verdict], use.verdict),
    )
