"""What happens while softctl runs, told once to whoever listens."""

from __future__ import annotations

from collections.abc import Callable

EventSink = Callable[..., None]
"""Called as `sink("link lost", host=…, port=…)`: a short name, then fields."""


def ignore(event: str, **fields: object) -> None:
    """The sink for callers who do not listen."""
