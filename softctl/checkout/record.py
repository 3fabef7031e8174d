"""A checkout's record as JSON, as CSV and as a page."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Sequence
from html import escape

from softctl.checkout.checkout import Checkout, Progress
from softctl.checkout.judge import Verdict
from softctl.checkout.session import Attempt, attempt_document
from softctl.checkout.steps import Step
from softctl.machine import Role
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
    "Compared is what a person saw on the HMI's screens, and what the HMI wrote, with values "
    "put into its map on purpose: no machine and no program was behind it."
)
_MARKS = {
    Verdict.PASS: ("good", "✓ pass"),
    Verdict.FAIL: ("bad", "✗ fail"),
    Verdict.SKIPPED: ("open", "– skipped"),
    None: ("open", "– open"),
}
_COLUMNS = (
    "step",
    "point",
    "description",
    "place",
    "role",
    "card",
    "expected",
    "said",
    "seen",
    "verdict",
    "hint",
    "comment",
    "decided_by",
    "reviewer",
    "at",
    "tries",
    "frames",
)
_TITLES = {
    Role.INPUT: "Inputs",
    Role.OUTPUT: "Outputs",
    Role.COMMAND: "Commands",
    Role.SETPOINT: "Set points",
    Role.STATE: "States",
    Role.STEP: "Steps of sequences",
    Role.ALARM: "Alarms",
    Role.SYSTEM: "System points",
}


def progress_line(progress: Progress) -> str:
    """How far a checkout is, in one sentence."""
    counts = (
        (progress.failed, "failed"),
        (progress.skipped, "skipped"),
        (progress.open, "open"),
    )
    more = "".join(f", {count} {word}" for count, word in counts if count)
    return f"{progress.passed} of {progress.total} steps passed{more}"


def to_json(checkout: Checkout, basis: Basis) -> str:
    """The whole record as JSON, with every attempt."""
    found = {
        **checkout.document(),
        "title": basis.title,
        "recorded": basis.started,
        "softctl": basis.version,
        "sha256": dict(basis.hashes),
        "begun_with_sha256": dict(checkout.session.basis.hashes),
        "passed": checkout.progress.is_clean,
        "attempts": [attempt_document(one) for one in checkout.session.attempts],
    }
    return json.dumps(found, indent=2, ensure_ascii=False) + "\n"


def to_csv(checkout: Checkout) -> str:
    """A row for each step, with its last attempt (RFC 4180)."""
    out = io.StringIO()
    writer = csv.DictWriter(out, _COLUMNS)
    writer.writeheader()
    for step in checkout.steps:
        writer.writerow(_row(checkout, step))
    return out.getvalue()


def _row(checkout: Checkout, step: Step) -> dict[str, object]:
    point = checkout.machine.points[step.point]
    row: dict[str, object] = {
        "step": step.id,
        "point": step.point,
        "description": step.description,
        "place": step.place,
        "role": point.role.value,
        "card": point.card,
        "expected": step.shown,
        "verdict": "open",
        "tries": checkout.session.tries(step),
    }
    attempt = checkout.session.last(step)
    if attempt is not None:
        row |= {
            "said": attempt.said,
            "seen": attempt.seen,
            "verdict": attempt.verdict.value,
            "hint": attempt.hint,
            "comment": attempt.comment,
            "decided_by": attempt.by,
            "reviewer": attempt.reviewer,
            "at": attempt.at,
            "frames": "; ".join(attempt.frames),
        }
    return row


def to_html(checkout: Checkout, basis: Basis) -> str:
    """The whole page; every text of a person is escaped."""
    progress = checkout.progress
    reviewers = _reviewers(checkout)
    return document(
        f"Checkout record: {basis.title or basis.machine}",
        [
            opening(basis, f"begun {checkout.session.basis.started}", *reviewers),
            *headline(progress_line(progress), is_good=progress.is_clean, about=_ABOUT),
            *_overview(checkout),
            *_failures(checkout),
            *_all_steps(checkout),
            *_again(checkout),
            *_versions(checkout, basis),
            *hash_table(basis),
            *signatures(", ".join(reviewers)),
        ],
    )


def _reviewers(checkout: Checkout) -> list[str]:
    names = (attempt.reviewer for attempt in checkout.session.attempts)
    return list(dict.fromkeys(filter(None, names)))


def _by_role(checkout: Checkout) -> Iterator[tuple[Role, list[Step]]]:
    for role in _TITLES:
        steps = [s for s in checkout.steps if checkout.machine.points[s.point].role is role]
        if steps:
            yield role, steps


def _overview(checkout: Checkout) -> Iterator[str]:
    """How many points and steps of each role have which verdict."""
    words = ("points", "steps", "passed", "failed", "skipped", "open")
    rows = []
    for role, steps in _by_role(checkout):
        verdicts = [checkout.verdict(step.id) for step in steps]
        counts = (
            len({step.point for step in steps}),
            len(steps),
            *(verdicts.count(v) for v in (Verdict.PASS, Verdict.FAIL, Verdict.SKIPPED, None)),
        )
        title = f'<a href="#{role.value}">{_TITLES[role]}</a>'
        rows.append((title, *(str(count) if count else "" for count in counts)))
    yield from table(["of", *(Column(word, True) for word in words)], rows)


def _failures(checkout: Checkout) -> Iterator[str]:
    failed = checkout.open_steps(failed=True)
    if failed:
        yield "<h2>What failed</h2>"
        yield from _steps(checkout, failed, is_long=True)


def _all_steps(checkout: Checkout) -> Iterator[str]:
    for role, steps in _by_role(checkout):
        yield f'<h2 id="{role.value}">{_TITLES[role]}</h2>'
        yield from _steps(checkout, steps)
    habits = sorted(checkout.log.habits)
    if habits:
        yield f"<p>The HMI writes {escape(', '.join(habits))} all the time.</p>"


def _steps(checkout: Checkout, steps: Sequence[Step], *, is_long: bool = False) -> Iterator[str]:
    """A table of steps; the long form has what a wrong value looks like, and frames."""
    found = [(step, checkout.session.last(step)) for step in steps]
    points = ["", *(step.point for step in steps)]
    with_names = len(_reviewers(checkout)) > 1
    yield from table(
        ["point", "step", "expected", "found", "verdict", Column("at", True)],
        [
            (
                _point(step) if is_long or step.point != before else "",
                escape(step.id.partition(":")[2]),
                escape(step.shown),
                "" if attempt is None else _found(attempt, is_long=is_long),
                mark(*_MARKS[None if attempt is None else attempt.verdict]),
                "" if attempt is None else _when(attempt, with_names),
            )
            for (step, attempt), before in zip(found, points, strict=False)
        ],
        broken=[one is not None and one.verdict is Verdict.FAIL for _, one in found],
    )


def _point(step: Step) -> str:
    more = f"{step.description}, {step.place}" if step.description else step.place
    return f'{escape(step.point)}<span class="code">{escape(more)}</span>'


def _found(attempt: Attempt, *, is_long: bool) -> str:
    """What was understood or seen; the long form has what was typed, and frames."""
    parts = [escape(attempt.seen)]
    if is_long and attempt.hint:
        parts.append(f'<span class="code">looks like this: {escape(attempt.hint)}</span>')
    if is_long and attempt.by == "comparison" and attempt.said not in ("", attempt.seen):
        parts.append(f'<span class="code">said: {escape(attempt.said)}</span>')
    if attempt.comment:
        parts.append(f"<em>{escape(attempt.comment)}</em>")
    if is_long:
        parts += [f'<span class="code">{escape(frame)}</span>' for frame in attempt.frames]
    return " ".join(filter(None, parts))


def _when(attempt: Attempt, with_name: bool) -> str:
    """Date and time, their zone stands at the top; with who said it where several did."""
    name = f'<span class="code">{escape(attempt.reviewer)}</span>' if with_name else ""
    return escape(attempt.at[:19].replace("T", " ")) + name


def _again(checkout: Checkout) -> Iterator[str]:
    """What was tested more than once: the attempts that no longer count."""
    steps = [step for step in checkout.steps if checkout.session.tries(step) > 1]
    ids = {step.id for step in steps}
    counting = {id(checkout.session.last(step)) for step in steps}
    older = [a for a in checkout.session.attempts if a.step in ids and id(a) not in counting]
    if not older:
        return
    with_names = len(_reviewers(checkout)) > 1
    yield "<h2>What was tested again</h2>"
    yield from table(
        ["step", "found before", "verdict before", Column("at", True)],
        (
            (
                escape(one.step),
                _found(one, is_long=False),
                mark(*_MARKS[one.verdict]),
                _when(one, with_names),
            )
            for one in older
        ),
    )


def _versions(checkout: Checkout, basis: Basis) -> Iterator[str]:
    """Files that are others now than when the checkout was begun."""
    before = checkout.session.basis.hashes
    names = [name for name, digest in basis.hashes.items() if before.get(name) != digest]
    if names:
        shown = escape(", ".join(names))
        yield f"<p>Changed since it was begun: {shown}. Steps that changed were open again.</p>"
