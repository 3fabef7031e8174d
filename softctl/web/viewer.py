"""One browser that looks: what it is still to be sent, and how often it may ask.

1. States are sent as they are last, events and replies all, values as changes.
2. A viewer that has not taken the last changes gets all values when it can take them.
3. One that leaves too much lying is let go; it connects again when it can.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable

from softctl.web.access import Person
from softctl.web.frame_tap import FrameTap

MOST_WAITING = 500
"""Events and replies that may wait for a viewer."""

ASKS_PER_S, ASKS_AT_ONCE = 20.0, 60.0
"""How often a viewer may ask for something; more is answered later, never lost."""

Send = Callable[[str], Awaitable[None]]


class Viewer:
    """`full` gives the message with all values of now."""

    def __init__(self, person: Person, send: Send, full: Callable[[], str]) -> None:
        self.person = person
        self.is_lost = False
        self.tap: FrameTap | None = None
        """What keeps the frames of the client that it watches."""
        self._send = send
        self._full = full
        self._texts: deque[str] = deque()
        self._states: dict[str, str] = {}
        self._changes = ""
        self._needs_all = True
        self._wake = asyncio.Event()

    def tell(self, text: str) -> None:
        """Send a message after those before it."""
        self._texts.append(text)
        self.is_lost = self.is_lost or len(self._texts) > MOST_WAITING
        self._wake.set()

    def show(self, what: str, text: str) -> None:
        """Send a state; one of the same kind that still waits is out of date."""
        self._states[what] = text
        self._wake.set()

    def offer(self, changes: str) -> None:
        """Send the changes of this moment, if it has had those before."""
        if self._changes or self._needs_all:
            self._changes, self._needs_all = "", True
        else:
            self._changes = changes
        self._wake.set()

    def watch(self, tap: FrameTap | None) -> None:
        """Watch another client's frames, or none."""
        if self.tap is not None:
            self.tap.close()
        self.tap = tap

    def dismiss(self) -> None:
        """Let it go: it may no longer look."""
        self.is_lost = True
        self._wake.set()

    def begin_anew(self) -> None:
        """Send all values next."""
        self._changes, self._needs_all = "", True
        self._wake.set()

    async def run(self) -> None:
        """Send what there is to send; returns when the viewer is lost."""
        while not self.is_lost:
            await self._wake.wait()
            self._wake.clear()
            while (text := self._next()) is not None:
                await self._send(text)

    def _next(self) -> str | None:
        """What is to be sent next, None for nothing."""
        if self.is_lost:
            return None
        if self._texts:
            return self._texts.popleft()
        if self._states:
            return self._states.pop(next(iter(self._states)))
        if self._needs_all:
            self._needs_all = False
            return self._full()
        text, self._changes = self._changes, ""
        return text or None


class Allowance:
    """Lets things through at a mean rate, some at once; `wait_s` says how long to hold one."""

    def __init__(self, per_s: float, at_once: float, now_s: float) -> None:
        self._per_s = per_s
        self._most = self._left = at_once
        self._at_s = now_s

    def wait_s(self, now_s: float) -> float:
        """Take one; how long it has to wait for its turn."""
        self._left = min(self._most, self._left + (now_s - self._at_s) * self._per_s)
        self._at_s = now_s
        self._left -= 1.0
        return max(0.0, -self._left / self._per_s)
