"""A report as JSON and as JUnit XML."""

from __future__ import annotations

import json
import re
from typing import Any
from xml.etree import ElementTree

from softctl.trial.coverage import Coverage
from softctl.trial.mutation import Mutation
from softctl.trial.report import Report, counts_text
from softctl.trial.result import Outcome, Result, Verdict, Window

_ILLEGAL = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def to_json(report: Report) -> str:
    """The run with every verdict, what was done, the steps, and the values at failures."""
    document: dict[str, Any] = {
        "machine": report.machine,
        "title": report.title,
        "clock": report.clock,
        "started": report.started,
        "softctl": report.version,
        "sha256": dict(report.hashes),
        "passed": all(result.passed for result in report.results),
        "simulated_s": report.simulated_s,
        "wall_s": round(report.wall_s, 3),
        "trials": [_trial(result) for result in report.results],
    }
    if report.coverage is not None:
        document["coverage"] = _coverage(report.coverage)
    if report.mutation is not None:
        document["mutants"] = _mutation(report.mutation)
    return json.dumps(document, indent=2, ensure_ascii=False)


def _coverage(coverage: Coverage) -> dict[str, Any]:
    return {
        "counts": {
            kind: {"touched": touched, "all": total} for kind, touched, total in coverage.counts()
        },
        "untouched": [
            {"kind": touch.kind, "text": touch.text, "place": str(touch.place)}
            for touch in coverage.untouched()
        ],
    }


def _mutation(mutation: Mutation) -> list[dict[str, Any]]:
    return [
        {
            "kind": one.mutant.kind,
            "text": one.mutant.text,
            "place": str(one.mutant.place),
            "is_program": one.is_built,
            "noticed_by": one.noticed_by,
        }
        for one in mutation.tried
    ]


def _trial(result: Result) -> dict[str, Any]:
    trial = result.trial
    return {
        "name": trial.name,
        "text": trial.text,
        "place": str(trial.place),
        "passed": result.passed,
        "stopped": result.stopped,
        "not_run": result.not_run,
        "duration_s": result.duration_ns / 1e9,
        "expectations": [_verdict(verdict) for verdict in result.verdicts],
        "done": [
            {"at_s": deed.at_ns / 1e9, "what": deed.what, "text": deed.text}
            for deed in result.deeds
        ],
        "events": [{"at_s": event.at_ns / 1e9, "what": event.what} for event in result.events],
        "steps": [
            {
                "chart": span.chart,
                "step": span.step,
                "from_s": span.from_ns / 1e9,
                "to_s": span.to_ns / 1e9,
            }
            for span in result.spans
        ],
    }


def _verdict(verdict: Verdict) -> dict[str, Any]:
    return {
        "outcome": verdict.outcome.value,
        "text": verdict.text,
        "expected": verdict.expected,
        "found": verdict.found,
        "at_s": verdict.at_ns / 1e9,
        "place": str(verdict.place),
        "values": None if verdict.window is None else _window(verdict.window),
    }


def _window(window: Window) -> dict[str, Any]:
    times = [time / 1e9 for time, _ in window.samples]
    columns = zip(*(values for _, values in window.samples), strict=True)
    return {"at_s": times, **dict(zip(window.names, map(list, columns), strict=False))}


def to_junit(report: Report) -> str:
    """The run as JUnit XML: one test case for each trial."""
    suite = ElementTree.Element(
        "testsuite",
        name=report.machine,
        tests=str(len(report.results)),
        failures=str(len(report.failures)),
        errors="0",
        skipped=str(len(report.not_run) + len(report.partial)),
        time=f"{report.wall_s:.3f}",
        timestamp=report.started,
    )
    for result in report.results:
        trial = result.trial
        case = ElementTree.SubElement(
            suite,
            "testcase",
            classname=f"{report.machine}.{_stem(trial.place.file)}",
            name=trial.name,
            time=f"{result.duration_ns / 1e9:.3f}",
        )
        if result.not_run or result.is_partial:
            why = result.not_run or "; ".join(not_run_lines(result))
            ElementTree.SubElement(case, "skipped", message=_clean(why))
        if result.failed:
            message = result.stopped or counts_text(result)
            failure = ElementTree.SubElement(case, "failure", message=_clean(message))
            failure.text = _clean("\n".join(failure_lines(result)))
    ElementTree.indent(suite)
    text = ElementTree.tostring(suite, encoding="unicode")
    return f'<?xml version="1.0" encoding="utf-8"?>\n{text}\n'


def failure_lines(result: Result) -> list[str]:
    """Why a trial failed, for people: expected, found and place of each broken expectation."""
    lines = [result.stopped] if result.stopped else []
    for verdict in result.verdicts:
        if verdict.outcome is Outcome.NOT_MET:
            lines += [
                f"{verdict.text} ({verdict.place.file}:{verdict.place.line})",
                f"  expected: {verdict.expected}",
                f"  found:    {verdict.found}",
            ]
    return lines


def not_run_lines(result: Result) -> list[str]:
    """What could not be judged of a trial, and why."""
    return [
        f"{verdict.text} not run: {verdict.found}"
        for verdict in result.verdicts
        if verdict.outcome is Outcome.NOT_RUN
    ]


def _stem(file: str) -> str:
    return file.replace("\\", "/").rsplit("/", 1)[-1].rsplit(".", 1)[0]


def _clean(text: str) -> str:
    """Text without the characters that XML cannot hold."""
    return _ILLEGAL.sub("?", text)
