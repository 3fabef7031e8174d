"""The command that drills an HMI, asks what only a person can say, and prints the record."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from softctl.audit.drill_plan import parse_drill_plan
from softctl.audit.drill_record import (
    NOT_ASKED,
    Answer,
    DrillRecord,
    summary,
    to_html,
    to_json,
)
from softctl.audit.drills import DRILLS, Drill, DrillResult, choose
from softctl.cli import live
from softctl.errors import SoftctlError
from softctl.runtime.drill_runner import DrillRunner, Timing
from softctl.runtime.folder import demo_folder, read_machine, read_text, shown_path
from softctl.runtime.records import RecordFiles, now_text, record_basis
from softctl.values.names import suggest


def run_drills(
    options: live.Options,
    drills: Sequence[Drill],
    timing: Timing,
    *,
    hmi: live.Where,
    field_port: int | None,
    ask: bool,
    files: RecordFiles,
) -> bool:
    """Run the drills, print and write the record; whether the HMI passed all of them."""
    files.require_writable()
    started = now_text()
    runners: list[DrillRunner] = []
    live.run(
        replace(options, drills=(drills, timing, runners.append)), field_port=field_port, hmi=hmi
    )
    results = runners[0].results if runners else []
    answers = list(_ask(drills, results, _input if ask else _not_asked))
    folder = options.folder or demo_folder()
    basis = record_basis(folder, read_machine(folder), started)
    record = DrillRecord(basis, results, answers)
    print("\n".join(_lines(record)))
    files.write({"json": lambda: to_json(record), "html": lambda: to_html(record)})
    return record.is_clean


def choose_drills(names: Sequence[str], plan: Path | None) -> list[Drill]:
    """The drills of a plan file, of the names, or all; raises SoftctlError."""
    if plan is not None:
        return parse_drill_plan(read_text(plan, "a plan of drills"), shown_path(plan))
    try:
        return choose(names)
    except KeyError as error:
        known = [drill.name for drill in DRILLS]
        hint = suggest(str(error.args[0]), known)
        more = f": {hint}" if hint else ""
        raise SoftctlError(
            f"expected a drill among {', '.join(known)}; got {error.args[0]}{more}"
        ) from None


def _ask(
    drills: Sequence[Drill], results: Sequence[DrillResult], answer: Callable[[str], str]
) -> Iterator[Answer]:
    done = {result.drill for result in results}
    for drill in drills:
        if drill.name in done:
            for question in drill.questions:
                yield Answer(drill.name, question, answer(f"{drill.name}: {question}"))


def _not_asked(_: str) -> str:
    return NOT_ASKED


def _input(question: str) -> str:
    sys.stdout.write(f"{question} [yes, no or a remark] ")
    sys.stdout.flush()
    return sys.stdin.readline().strip() or "no answer"


def _lines(record: DrillRecord) -> Iterator[str]:
    yield ""
    for result in record.results:
        yield f"{result.verdict.value.upper():5} {result.drill:10} {result.host}"
        for check in result.checks:
            yield f"      {check.verdict.value:5} {check.name:20} {check.seen}"
        for answer in record.answers_to(result.drill):
            yield f"      {answer.question} {answer.answer}"
    yield summary(record)
