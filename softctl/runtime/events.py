"""What happens while softctl runs, told once to whoever listens."""

from __future__ import annotations

from collections.abc import Callable

from softctl.errors import ProblemsError

EventSink = Callable[..., None]
"""Called as `sink("link lost", host=…, port=…)`: a short name, then fields."""


def ignore(event: str, **fields: object) -> None:
    """The sink for callers who do not listen."""


def tell_problems(error: ProblemsError, event: str, sink: EventSink) -> None:
    """Tell each problem of a user's file as the reason of an event."""
    for problem in error.problems:
        sink(event, reason=f"{problem.message} ({problem.place}) {problem.hint}".rstrip())
