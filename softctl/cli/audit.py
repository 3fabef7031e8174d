"""Audits from the command line: the record of what was asked, printed and written."""

from __future__ import annotations

import csv
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

from softctl.audit import Auditor, AuditReport, Finding, PointUse, make_report
from softctl.cli import live
from softctl.errors import SoftctlError
from softctl.runtime.auditing import FieldAudit
from softctl.runtime.folder import demo_folder, read_machine

_UNUSED_SHOWN = 12
_DEVICES_SHOWN = 3


@dataclass(frozen=True, slots=True)
class Records:
    """Where the record goes besides the terminal."""

    json: Path | None = None
    csv: Path | None = None


def run_audited(
    options: live.Options, records: Records, run: Callable[[live.Options], None]
) -> bool:
    """Run with an audit of the HMI server, then print and write the record; whether it is clean."""
    auditor = Auditor(time.monotonic_ns)
    run(replace(options, listener=auditor))
    machine = read_machine(options.folder or demo_folder())
    logs = list(auditor.logs.values())
    return tell(make_report(machine, logs, auditor.started_ns, time.monotonic_ns()), records)


def run_and_note(
    options: live.Options, file: Path | None, run: Callable[[live.Options], None]
) -> None:
    """Run, with an audit of the HMI server if there is a file for its record."""
    if file is None:
        run(options)
    else:
        run_audited(options, Records(file), run)


def run_field_and_note(
    options: live.Options, file: Path | None, run: Callable[[live.Options], None]
) -> None:
    """Run one field or many, with an audit of their servers if there is a file for it."""
    if file is None:
        run(options)
        return
    audit = FieldAudit(read_machine(options.folder or demo_folder()))
    run(replace(options, field_audit=audit))
    tell(audit.report(), Records(file))


def tell(report: AuditReport, records: Records) -> bool:
    """Print and write the record; whether it is clean."""
    print("\n".join(report_lines(report)))
    _write(records, report)
    return report.is_clean


def report_lines(report: AuditReport) -> Iterator[str]:
    """The record as a person reads it in a terminal."""
    yield ""
    of = f" on {_many(len(report.devices), 'device')}" if report.devices else ""
    yield (
        f"Audit of {report.machine}{of}: {report.seconds:.0f} s, "
        f"{_many(len(report.clients), 'connection')}, {_many(report.requests, 'request')}"
    )
    yield (
        f"Coverage {100 * report.coverage:.0f} %: {report.covered} of {report.total} points "
        "read or written"
    )
    if report.unused and report.used:
        yield f"Never used: {_some(report.unused, _UNUSED_SHOWN)}"
    if report.silent:
        yield f"Nobody asked {_of_devices(report.silent, report)}."
    if not report.findings:
        yield "No findings." if report.requests else "Nobody asked for anything."
    for finding in report.findings:
        yield from _finding_lines(finding, report)
    if report.dropped:
        yield f"{report.dropped} events were too many to keep."


def _finding_lines(finding: Finding, report: AuditReport) -> Iterator[str]:
    yield ""
    yield f"{finding.severity.value.upper()}  {finding.kind}: {finding.subject}"
    yield f"    {finding.client} {finding.message}"
    times = f", {finding.count} times" if finding.count > 1 else ""
    yield f"    at {finding.at_s:.3f} s{times}" + (f": {finding.frame}" if finding.frame else "")
    if finding.devices:
        yield f"    on {_of_devices(finding.devices, report)}"
    yield f"    {finding.advice}"


def _of_devices(devices: tuple[str, ...], report: AuditReport) -> str:
    return f"{len(devices)} of {len(report.devices)} devices: {_some(devices, _DEVICES_SHOWN)}"


def _some(names: list[str] | tuple[str, ...], shown: int) -> str:
    rest = len(names) - shown
    more = f" and {rest} more" if rest > 0 else ""
    return f"{', '.join(names[:shown])}{more}"


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
    document |= {
        "clean": report.is_clean,
        "coverage": report.coverage,
        "unused": report.unused,
    }
    return json.dumps(document, indent=2) + "\n"


def _write_csv(path: Path, report: AuditReport) -> None:
    names = [one.name for one in fields(PointUse)]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, names)
        writer.writeheader()
        writer.writerows(asdict(use) for use in report.uses)
