"""The command that audits an HMI: a run of the machine, and the record of what was asked."""

from __future__ import annotations

import csv
import json
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

from softctl.audit import Auditor, AuditReport, Finding, PointUse, make_report
from softctl.cli import live
from softctl.errors import SoftctlError
from softctl.runtime.folder import demo_folder, read_machine

_UNUSED_SHOWN = 12


@dataclass(frozen=True, slots=True)
class Records:
    """Where the record goes besides the terminal."""

    json: Path | None
    csv: Path | None


def run_audit(
    options: live.Options, *, field_port: int | None, hmi: live.Where, records: Records
) -> bool:
    """Run the machine, then print and write the record; whether it is clean."""
    auditor = Auditor(time.monotonic_ns)
    live.run(replace(options, listener=auditor), field_port=field_port, hmi=hmi)
    machine = read_machine(options.folder or demo_folder())
    logs = list(auditor.logs.values())
    report = make_report(machine, logs, auditor.started_ns, time.monotonic_ns())
    print("\n".join(report_lines(report)))
    _write(records, report)
    return report.is_clean


def report_lines(report: AuditReport) -> Iterator[str]:
    """The record as a person reads it in a terminal."""
    yield ""
    yield (
        f"Audit of {report.machine}: {report.seconds:.0f} s, "
        f"{_many(len(report.clients), 'connection')}, {_many(report.requests, 'request')}"
    )
    yield (
        f"Coverage {100 * report.coverage:.0f} %: {len(report.used)} of "
        f"{len(report.used) + len(report.unused)} points read or written"
    )
    if report.unused and report.used:
        rest = len(report.unused) - _UNUSED_SHOWN
        more = f" and {rest} more" if rest > 0 else ""
        yield f"Never used: {', '.join(report.unused[:_UNUSED_SHOWN])}{more}"
    if not report.findings:
        yield "No findings." if report.requests else "Nobody asked for anything."
    for finding in report.findings:
        yield from _finding_lines(finding)
    if report.dropped:
        yield f"{report.dropped} events were too many to keep."


def _finding_lines(finding: Finding) -> Iterator[str]:
    yield ""
    yield f"{finding.severity.value.upper()}  {finding.kind}: {finding.subject}"
    yield f"    {finding.client} {finding.message}"
    times = f", {finding.count} times" if finding.count > 1 else ""
    yield f"    at {finding.at_s:.3f} s{times}" + (f": {finding.frame}" if finding.frame else "")
    yield f"    {finding.advice}"


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _write(records: Records, report: AuditReport) -> None:
    try:
        if records.json is not None:
            records.json.write_text(to_json(report), encoding="utf-8")
        if records.csv is not None:
            _write_csv(records.csv, report)
    except OSError as error:
        raise SoftctlError(f"cannot write {error.filename}: {error.strerror}") from None


def to_json(report: AuditReport) -> str:
    """The whole record as JSON."""
    document = asdict(report)
    for finding in document["findings"]:
        finding["severity"] = finding["severity"].value
    for use, row in zip(report.uses, document["uses"], strict=True):
        row["verdict"] = use.verdict
    document |= {"coverage": report.coverage, "unused": report.unused}
    return json.dumps(document, indent=2) + "\n"


def _write_csv(path: Path, report: AuditReport) -> None:
    names = [one.name for one in fields(PointUse)]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([*names, "verdict"])
        for use in report.uses:
            writer.writerow([*(getattr(use, name) for name in names), use.verdict])
