"""The journal of a controller that keeps none: who listens still hears of every entry."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol

from softctl.journal.entries import Entry, Sample

Listener = Callable[[Entry], None]


class Journal(Protocol):
    """What a controller notes in; `trouble` says why it cannot be written, `dropped` counts.

    Each of `listeners` is called with every entry, in the thread that notes it.
    """

    dropped: int
    trouble: str
    listeners: list[Listener]

    def note(self, entry: Entry) -> None: ...

    def sample(self, samples: Iterable[Sample]) -> None: ...

    def close(self) -> None: ...


class UnkeptJournal:
    """Passes entries on to its listeners and forgets them."""

    def __init__(self) -> None:
        self.dropped = 0
        self.trouble = ""
        self.listeners: list[Listener] = []

    def note(self, entry: Entry) -> None:
        """Tell the listeners."""
        for listener in self.listeners:
            listener(entry)

    def sample(self, samples: Iterable[Sample]) -> None:
        """Nobody wants them."""

    def close(self) -> None:
        """Nothing is left to write."""
