"""The record of drills: what was seen on the wire, and what a person said about the screens."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from softctl.audit.drills import DRILLS, DrillResult, Verdict
from softctl.paper import (
    Basis,
    document,
    hash_table,
    headline,
    mark,
    opening,
    signatures,
    table,
)

NOT_ASKED = "not asked"
_ABOUT = (
    "Judged is what the HMI did on the wire after each drill, in front of a simulated machine; "
    "what its screens showed is what a person said."
)
_TITLES = {drill.name: drill.title for drill in DRILLS}
_MARKS = {Verdict.PASS: ("good", "✓ passed"), Verdict.FAIL: ("bad", "✗ failed")}
_ANSWER_KINDS = {"yes": "good", "no": "bad"}


@dataclass(frozen=True, slots=True)
class Answer:
    """What a person said about one question of a drill; NOT_ASKED without one."""

    drill: str
    question: str
    answer: str


@dataclass(frozen=True, slots=True)
class DrillRecord:
    """A run of drills: each result is one drill with one HMI, in the order they were run."""

    basis: Basis
    results: Sequence[DrillResult]
    answers: Sequence[Answer]

    @property
    def passed(self) -> int:
        """How many drills the HMIs passed."""
        return sum(result.verdict is Verdict.PASS for result in self.results)

    @property
    def is_clean(self) -> bool:
        """True when there was a drill, and all were passed."""
        return bool(self.results) and self.passed == len(self.results)

    def answers_to(self, drill: str) -> list[Answer]:
        """What was said about one drill."""
        return [answer for answer in self.answers if answer.drill == drill]


def summary(record: DrillRecord) -> str:
    """All of it in one sentence."""
    return f"{record.passed} of {len(record.results)} drills passed"


def result_row(result: DrillResult) -> dict[str, Any]:
    """What one HMI did in one drill, as JSON has it."""
    return {
        "drill": result.drill,
        "host": result.host,
        "verdict": result.verdict.value,
        "checks": [
            {"name": check.name, "verdict": check.verdict.value, "seen": check.seen}
            for check in result.checks
        ],
    }


def to_json(record: DrillRecord) -> str:
    """The whole record as JSON."""
    basis = record.basis
    found = {
        "machine": basis.machine,
        "title": basis.title,
        "started": basis.started,
        "softctl": basis.version,
        "sha256": dict(basis.hashes),
        "passed": record.is_clean,
        "drills": [
            {
                **result_row(result),
                "answers": {a.question: a.answer for a in record.answers_to(result.drill)},
            }
            for result in record.results
        ],
    }
    return json.dumps(found, indent=2, ensure_ascii=False) + "\n"


def to_html(record: DrillRecord) -> str:
    """The whole page; every text of a person is escaped."""
    basis = record.basis
    return document(
        f"Drill record: {basis.title or basis.machine}",
        [
            opening(basis),
            *headline(summary(record), is_good=record.is_clean, about=_ABOUT),
            *_overview(record),
            *(part for result in record.results for part in _drill(record, result)),
            *hash_table(basis),
            *signatures(),
        ],
    )


def _overview(record: DrillRecord) -> Iterator[str]:
    yield from table(
        ["drill", "HMI", "verdict", "what went wrong on purpose"],
        (
            (
                f'<a href="#{_anchor(result)}">{escape(result.drill)}</a>',
                escape(result.host),
                mark(*_MARKS[result.verdict]),
                escape(_TITLES.get(result.drill, "")),
            )
            for result in record.results
        ),
    )


def _anchor(result: DrillResult) -> str:
    return escape(f"{result.drill}-{result.host}")


def _drill(record: DrillRecord, result: DrillResult) -> Iterator[str]:
    verdict = mark(*_MARKS[result.verdict])
    title = escape(f"{result.drill}, {result.host}")
    yield f'<section><h2 id="{_anchor(result)}">{title} {verdict}</h2>'
    yield f'<p class="soft">{escape(_TITLES.get(result.drill, ""))}</p>'
    yield from table(
        ["expected", "seen", "verdict"],
        (
            (escape(check.name), escape(check.seen), mark(*_MARKS[check.verdict]))
            for check in result.checks
        ),
        broken=[check.verdict is Verdict.FAIL for check in result.checks],
    )
    answers = record.answers_to(result.drill)
    if answers:
        yield from table(
            ["asked of a person", "answer"],
            ((escape(one.question), _answer(one.answer)) for one in answers),
        )
    yield "</section>"


def _answer(text: str) -> str:
    kind = "open" if text == NOT_ASKED else _ANSWER_KINDS.get(text.lower(), "")
    return f'<span class="{kind}">{escape(text)}</span>'
