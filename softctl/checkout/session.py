"""What a checkout has found so far, as lines of a file: a head, then an attempt a line.

Each attempt is a line of its own and none is ever changed, so a write that was torn costs
the line that it was, and everything before it is whole.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from typing import Any

from softctl.checkout.judge import Verdict
from softctl.checkout.steps import Step
from softctl.errors import Place, Problem, ProblemsError
from softctl.paper import Basis

VERSION = 1


@dataclass(frozen=True, slots=True)
class Attempt:
    """One verdict about one step.

    `mark` tells the version of the step, `said` is what the tester typed, `seen` what was
    understood of it or seen on the wire. `by` is "comparison", "wire" or "tester": what
    decided. `at` is a date and time with its zone, `frames` are in hex.
    """

    step: str
    mark: str
    verdict: Verdict
    expected: str
    said: str
    seen: str
    hint: str
    comment: str
    by: str
    reviewer: str
    at: str
    frames: tuple[str, ...] = ()


class Session:
    """What it is about, with all attempts in order; the last one of a step counts."""

    def __init__(self, basis: Basis, attempts: Iterable[Attempt] = ()) -> None:
        self.basis = basis
        self.attempts: list[Attempt] = []
        self._of: dict[str, list[Attempt]] = {}
        for attempt in attempts:
            self.add(attempt)

    def add(self, attempt: Attempt) -> None:
        """One more verdict."""
        self.attempts.append(attempt)
        self._of.setdefault(attempt.step, []).append(attempt)

    def last(self, step: Step) -> Attempt | None:
        """The attempt that counts for a step: its last one, if the step is still the same."""
        attempts = self._of.get(step.id, ())
        return attempts[-1] if attempts and attempts[-1].mark == step.mark else None

    def tries(self, step: Step) -> int:
        """How often a verdict was given about a step."""
        return len(self._of.get(step.id, ()))

    def changed(self, steps: Iterable[Step]) -> list[str]:
        """Steps that the machine file has changed since their last attempt."""
        return [step.id for step in steps if self.tries(step) and self.last(step) is None]


def head_line(basis: Basis) -> str:
    """The first line of a session file."""
    return json.dumps({"checkout": VERSION, **asdict(basis)}, ensure_ascii=False) + "\n"


def attempt_line(attempt: Attempt) -> str:
    """The line of one attempt."""
    return json.dumps(attempt_document(attempt), ensure_ascii=False) + "\n"


def attempt_document(attempt: Attempt) -> dict[str, Any]:
    """An attempt as JSON has it."""
    return {**asdict(attempt), "verdict": attempt.verdict.value, "frames": list(attempt.frames)}


def parse_session(text: str, file: str) -> Session:
    """The session in whole lines of a file.

    Raises ProblemsError with the line of anything that is wrong: nothing is dropped silently.
    """
    session: Session | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        try:
            document = json.loads(line)
            if session is None:
                session = Session(_head(document))
            else:
                session.add(_attempt(document))
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            what = "the head of a checkout" if session is None else "an attempt of a checkout"
            place = Place(file, number, 1)
            raise ProblemsError([Problem(f"expected {what} in JSON, got {error}", place)]) from None
    if session is None:
        raise ProblemsError([Problem("expected a checkout's session, got no line", Place(file))])
    return session


def _head(document: dict[str, Any]) -> Basis:
    version = document.pop("checkout", None)
    if version != VERSION:
        raise ValueError(f"a file without 'checkout': {VERSION} in its first line")
    return Basis(**document)


def _attempt(document: dict[str, Any]) -> Attempt:
    known = {one.name for one in fields(Attempt)}
    unknown = document.keys() - known
    if unknown:
        raise ValueError(f"the key '{min(unknown)}'")
    frames = tuple(document.pop("frames", ()))
    return Attempt(**{**document, "verdict": Verdict(document["verdict"]), "frames": frames})
