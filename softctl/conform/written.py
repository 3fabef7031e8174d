"""A report as JSON and as JUnit XML."""

from __future__ import annotations

import json
from typing import Any
from xml.etree import ElementTree

from softctl.conform.cases import CLAUSES, Result
from softctl.conform.evidence import Entry, Evidence
from softctl.conform.report import Report
from softctl.conform.steps import Verdict
from softctl.values.tables import Table


def to_json(report: Report) -> str:
    """The whole report; hex digits are upper case and spaced, times are in seconds."""
    counts = report.counts()
    document = {
        "softctl": report.version,
        "server": report.server,
        "unit": report.site.unit,
        "started": report.started,
        "duration_s": round(report.duration_ns / 1e9, 3),
        "counts": {verdict.value: counts[verdict] for verdict in Verdict},
        "specifications": CLAUSES,
        "site": {table.value: _area(report, table) for table in Table},
        "functions": {
            str(function): support.value for function, support in report.site.support.items()
        },
        "not_restored": list(report.unrestored),
        "cases": [_case(result) for result in report.results],
    }
    return json.dumps(document, indent=2, ensure_ascii=False)


def _area(report: Report, table: Table) -> dict[str, Any]:
    area = report.site.area(table)
    return {
        "exist": str(area.known) if area.known else None,
        "written": str(area.writable) if area.writable else None,
        "not_written_because": area.refusal or None,
    }


def _case(result: Result) -> dict[str, Any]:
    case = result.case
    return {
        "id": case.id,
        "group": case.group,
        "title": case.title,
        "clause": case.clause,
        "verdict": result.outcome.verdict.value,
        "reason": result.outcome.reason or None,
        "duration_s": round(result.duration_ns / 1e9, 4),
        "evidence": [_entry(entry) for entry in result.evidence.first],
        "evidence_left_out": result.evidence.omitted,
        "evidence_end": [_entry(entry) for entry in result.evidence.last],
    }


def _entry(entry: Entry) -> dict[str, Any]:
    found: dict[str, Any] = {"connection": entry.line, "what": entry.what}
    if entry.data:
        found["hex"] = entry.data.hex(" ").upper()
    return found


def to_junit(report: Report) -> str:
    """A `testsuites` document: a suite for each group, skipped where nothing was judged."""
    root = ElementTree.Element("testsuites", name=f"Modbus/TCP conformance of {report.server}")
    root.set("time", f"{report.duration_ns / 1e9:.3f}")
    for group, results in report.groups():
        suite = ElementTree.SubElement(root, "testsuite", name=group)
        counts = report.counts(group)
        suite.set("tests", str(len(results)))
        suite.set("failures", str(counts[Verdict.FAIL]))
        suite.set("errors", "0")
        skipped = counts[Verdict.NOT_SUPPORTED] + counts[Verdict.NOT_APPLICABLE]
        suite.set("skipped", str(skipped))
        suite.set("time", f"{sum(result.duration_ns for result in results) / 1e9:.3f}")
        suite.set("timestamp", report.started)
        for result in results:
            _add_case(suite, result)
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def _add_case(suite: ElementTree.Element, result: Result) -> None:
    case, outcome = result.case, result.outcome
    element = ElementTree.SubElement(suite, "testcase", name=case.id, classname=case.group)
    element.set("time", f"{result.duration_ns / 1e9:.4f}")
    if outcome.verdict is Verdict.FAIL:
        failure = ElementTree.SubElement(element, "failure", message=outcome.reason)
        failure.text = f"{case.title}\n{case.clause}"
    elif outcome.verdict is not Verdict.PASS:
        message = f"{outcome.verdict.value}: {outcome.reason}"
        ElementTree.SubElement(element, "skipped", message=message)
    output = ElementTree.SubElement(element, "system-out")
    output.text = "\n".join([f"{case.title} ({case.clause})", *evidence_lines(result.evidence)])


def evidence_lines(evidence: Evidence) -> list[str]:
    """Evidence as lines of text: connection, event, hex."""
    lines = [_line(entry) for entry in evidence.first]
    if evidence.omitted:
        lines.append(f"… {evidence.omitted} more …")
    return lines + [_line(entry) for entry in evidence.last]


def _line(entry: Entry) -> str:
    return f"[{entry.line}] {entry.what} {entry.data.hex(' ').upper()}".rstrip()
