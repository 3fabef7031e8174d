"""The command that drills an HMI, asks what only a person can say, and prints the record."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from softctl.audit.drill_plan import parse_drill_plan
from softctl.audit.drills import DRILLS, Drill, DrillResult, Verdict, choose
from softctl.cli import live
from softctl.errors import SoftctlError
from softctl.runtime.drill_runner import DrillRunner, Timing
from softctl.runtime.folder import read_text, shown_path
from softctl.values.names import suggest


@dataclass(frozen=True, slots=True)
class Answer:
    """What a person said about one question of a drill; "not asked" without one."""

    drill: str
    question: str
    answer: str


def run_drills(
    options: live.Options,
    drills: Sequence[Drill],
    timing: Timing,
    *,
    hmi: live.Where,
    field_port: int | None,
    ask: bool,
    record: Path | None,
) -> bool:
    """Run the drills and print the record; whether the HMI passed all of them."""
    runners: list[DrillRunner] = []
    live.run(
        replace(options, drills=(drills, timing, runners.append)), field_port=field_port, hmi=hmi
    )
    results = runners[0].results if runners else []
    answers = list(_ask(drills, results, _input if ask else _not_asked))
    print("\n".join(_lines(results, answers)))
    if record is not None:
        _write(record, results, answers)
    return bool(results) and all(result.verdict is Verdict.PASS for result in results)


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
    return "not asked"


def _input(question: str) -> str:
    sys.stdout.write(f"{question} [yes, no or a remark] ")
    sys.stdout.flush()
    return sys.stdin.readline().strip() or "no answer"


def _lines(results: Sequence[DrillResult], answers: Sequence[Answer]) -> Iterator[str]:
    yield ""
    for result in results:
        yield f"{result.verdict.value.upper():5} {result.drill:10} {result.host}"
        for check in result.checks:
            yield f"      {check.verdict.value:5} {check.name:20} {check.seen}"
        for answer in answers:
            if answer.drill == result.drill:
                yield f"      {answer.question} {answer.answer}"
    passed = sum(result.verdict is Verdict.PASS for result in results)
    yield f"{passed} of {len(results)} drills passed"


def _write(path: Path, results: Sequence[DrillResult], answers: Sequence[Answer]) -> None:
    document = [
        {
            "drill": result.drill,
            "host": result.host,
            "verdict": result.verdict.value,
            "checks": [
                {"name": check.name, "verdict": check.verdict.value, "seen": check.seen}
                for check in result.checks
            ],
            "answers": {a.question: a.answer for a in answers if a.drill == result.drill},
        }
        for result in results
    ]
    try:
        path.write_text(json.dumps(document, indent=2) + "\n", encoding="utf-8")
    except OSError as error:
        raise SoftctlError(f"cannot write {path}: {error.strerror}") from None
