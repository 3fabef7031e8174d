"""Audits from the command line: the record of what was asked, printed and written."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from softctl.audit import Auditor, AuditReport, Finding, make_report
from softctl.audit.record import many, to_csv, to_html, to_json
from softctl.cli import live
from softctl.paper import Basis
from softctl.runtime.auditing import FieldAudit
from softctl.runtime.folder import demo_folder, read_machine
from softctl.runtime.records import RecordFiles, now_text, record_basis

_UNUSED_SHOWN = 12
_DEVICES_SHOWN = 3


def run_audited(
    options: live.Options, files: RecordFiles, run: Callable[[live.Options], None]
) -> bool:
    """Run with an audit of the HMI server, then print and write the record; whether it is clean."""
    files.require_writable()
    auditor, started = Auditor(time.monotonic_ns), now_text()
    run(replace(options, listener=auditor))
    folder = options.folder or demo_folder()
    machine = read_machine(folder)
    logs = list(auditor.logs.values())
    report = make_report(machine, logs, auditor.started_ns, time.monotonic_ns())
    return tell(report, record_basis(folder, machine, started), files)


def run_and_note(
    options: live.Options, file: Path | None, run: Callable[[live.Options], None]
) -> None:
    """Run, with an audit of the HMI server if there is a file for its record."""
    if file is None:
        run(options)
    else:
        run_audited(options, RecordFiles(json=file), run)


def run_field_and_note(
    options: live.Options, file: Path | None, run: Callable[[live.Options], None]
) -> None:
    """Run one field or many, with an audit of their servers if there is a file for it."""
    if file is None:
        run(options)
        return
    folder, started = options.folder or demo_folder(), now_text()
    machine = read_machine(folder)
    audit = FieldAudit(machine)
    run(replace(options, field_audit=audit))
    basis = record_basis(folder, machine, started)
    tell(audit.report(), basis, RecordFiles(json=file))


def tell(report: AuditReport, basis: Basis, files: RecordFiles) -> bool:
    """Print and write the record; whether it is clean."""
    print("\n".join(report_lines(report)))
    files.write(
        {
            "json": lambda: to_json(report, basis),
            "csv": lambda: to_csv(report),
            "html": lambda: to_html(report, basis),
        }
    )
    return report.is_clean


def report_lines(report: AuditReport) -> Iterator[str]:
    """The record as a person reads it in a terminal."""
    yield ""
    of = f" on {many(len(report.devices), 'device')}" if report.devices else ""
    yield (
        f"Audit of {report.machine}{of}: {report.seconds:.0f} s, "
        f"{many(len(report.clients), 'connection')}, {many(report.requests, 'request')}"
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
