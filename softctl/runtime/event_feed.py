"""The last entries of a controller's journal, numbered, for whoever follows them."""

from __future__ import annotations

import secrets
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence

from softctl.journal import Entry, Journal
from softctl.machine import Point
from softctl.mqtt import Event
from softctl.mqtt.values import to_plain

_KEPT = 5_000


class EventFeed:
    """Numbers entries from 1 on; `run` is another text at each start of the controller.

    So an event's id, `run` and number, is its own for ever. Each of `listeners` is called
    when there is a new one.
    """

    def __init__(self, journal: Journal, points: Mapping[str, Point]) -> None:
        self._points = points
        self.run = new_run()
        self.listeners: list[Callable[[], None]] = []
        self._kept: deque[Event] = deque(maxlen=_KEPT)
        self._number = 0
        journal.listeners.append(self._hear)

    def after(self, number: int) -> Sequence[Event]:
        """The events with higher numbers that are still kept, the oldest first."""
        count = min(self._number - number, len(self._kept))
        return list(self._kept)[-count:] if count > 0 else []

    def _hear(self, entry: Entry) -> None:
        self._number += 1
        self._kept.append(
            Event(
                f"{self.run}-{self._number}",
                self._number,
                entry.wall_ns // 1_000_000,
                entry.kind,
                entry.name,
                entry.what,
                entry.source,
                dict(self._details(entry)),
            )
        )
        for listener in self.listeners:
            listener()

    def _details(self, entry: Entry) -> Iterator[tuple[str, object]]:
        """Without the long trail of a guard, which stays in the journal; values as others
        get them."""
        point = self._points.get(entry.name)
        for key, value in entry.details.items():
            if key == "value" and point is not None and isinstance(value, bool | int | float | str):
                yield key, to_plain(value, point.type)
            elif key not in ("trail", "names") and value != "":
                yield key, value


def new_run() -> str:
    """A text that no other start of anything has."""
    return f"{time.time_ns() // 1_000_000:x}{secrets.token_hex(2)}"
