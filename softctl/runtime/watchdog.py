"""Watches from a thread of its own that scans end.

The programs run in the event loop's thread, so nothing else of the loop can act while a
scan hangs. This thread can: it takes the field's connection away, and the cards go to
fail-safe by their own watchdog at the latest. Where even threads stand still (a library
that keeps the interpreter's lock, a stopped process) that watchdog of the cards is alone.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from types import TracebackType

LOOKS = 4
"""How often in its limit the thread looks: a hanging scan is noticed a quarter late."""


class ScanWatchdog:
    """Calls `act`, in its thread, when something guarded takes longer than `limit_ns`.

    Used as a context around each scan, in wall time; `is_late` then tells of the last one.
    """

    def __init__(
        self,
        limit_ns: int,
        act: Callable[[], None],
        clock: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._limit_ns = limit_ns
        self._act = act
        self._clock = clock
        self._began_ns: int | None = None
        self._acted_on_ns: int | None = None
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="scan watchdog", daemon=True)
        self.is_late = False

    def __enter__(self) -> None:
        self._began_ns = self._clock()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        began_ns, self._began_ns = self._began_ns, None
        self.is_late = began_ns is not None and self._clock() - began_ns > self._limit_ns

    def look(self) -> None:
        """Act if what is guarded now has taken too long, once."""
        began_ns = self._began_ns
        if began_ns is None or began_ns == self._acted_on_ns:
            return
        if self._clock() - began_ns > self._limit_ns:
            self._acted_on_ns = began_ns
            self._act()

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def close(self) -> None:
        """Stop looking."""
        self._closing.set()

    def _watch(self) -> None:
        while not self._closing.wait(self._limit_ns / LOOKS / 1e9):
            self.look()
