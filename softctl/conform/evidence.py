"""What was sent and received in a case, kept short enough to be read."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

KEPT_FIRST = 24
KEPT_LAST = 16


class Entry(NamedTuple):
    """One event on a line: `what` is "sent", "received" or words; data for the first two."""

    line: int
    what: str
    data: bytes = b""


@dataclass(frozen=True, slots=True)
class Evidence:
    """The first and last entries of a case, and how many between them were left out."""

    first: tuple[Entry, ...]
    omitted: int
    last: tuple[Entry, ...]


class Notebook:
    """Collects entries while a case runs; storms of thousands keep only both ends."""

    def __init__(self) -> None:
        self._first: list[Entry] = []
        self._last: deque[Entry] = deque(maxlen=KEPT_LAST)
        self._count = 0

    def note(self, line: int, what: str, data: bytes = b"") -> None:
        """Add one event."""
        entry = Entry(line, what, data)
        self._count += 1
        if len(self._first) < KEPT_FIRST:
            self._first.append(entry)
        else:
            self._last.append(entry)

    def evidence(self) -> Evidence:
        """What there is so far."""
        omitted = self._count - len(self._first) - len(self._last)
        return Evidence(tuple(self._first), omitted, tuple(self._last))
