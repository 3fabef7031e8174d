"""Watches from a thread of its own that scans end.

The programs run in the event loop's thread, so nothing else of the loop can act while a
scan hangs. This thread can: it takes the field's connection away, so that the cards go to
fail-safe by their own watchdog at the latest, and raises a fault in the thread that hangs.
Where even threads stand still (a library that keeps the interpreter's lock, a stopped
process) that watchdog of the cards is alone.

1. A fault is raised once in a guarded piece of work, and only while it goes on.
2. So the end of the work first says that it ends, then waits for a look that is under way,
   and then takes back a fault that has not arrived. It takes no lock: a fault that arrived
   while one is taken would leave it locked.
"""

from __future__ import annotations

import ctypes
import threading
import time
from collections.abc import Callable
from types import TracebackType

LOOKS = 4
"""How often in its limit the thread looks: a hanging scan is noticed a quarter late."""


class ScanWatchdog:
    """Calls `act`, in its thread, when something guarded takes longer than `limit_ns`.

    Used as a context around each scan, in wall time; `is_late` then tells of the last one.
    With `fault`, an exception of that type is raised in the guarded thread too; the context
    lets it through.
    """

    def __init__(
        self,
        limit_ns: int,
        act: Callable[[], None],
        clock: Callable[[], int] = time.monotonic_ns,
        fault: type[Exception] | None = None,
    ) -> None:
        self._limit_ns = limit_ns
        self._act = act
        self._clock = clock
        self._fault = fault
        self._guarded = 0
        self._is_looking = False
        self._began_ns: int | None = None
        self._acted_on_ns: int | None = None
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="scan watchdog", daemon=True)
        self.is_late = False

    def __enter__(self) -> None:
        self._guarded = threading.get_ident()
        self.is_late = False
        self._began_ns = self._clock()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        began_ns, self._began_ns = self._began_ns, None
        self.is_late = began_ns is not None and self._clock() - began_ns > self._limit_ns
        while self._is_looking:
            time.sleep(0)
        if self._fault is not None:
            _raise_in(self._guarded, None)

    def look(self) -> None:
        """Act if what is guarded now has taken too long, once."""
        self._is_looking = True
        try:
            began_ns = self._began_ns
            if began_ns is None or began_ns == self._acted_on_ns:
                return
            if self._clock() - began_ns > self._limit_ns:
                self._acted_on_ns = began_ns
                self._act()
                if self._fault is not None:
                    _raise_in(self._guarded, self._fault)
        finally:
            self._is_looking = False

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def close(self) -> None:
        """Stop looking."""
        self._closing.set()

    def _watch(self) -> None:
        while not self._closing.wait(self._limit_ns / LOOKS / 1e9):
            self.look()


def _raise_in(thread: int, fault: type[Exception] | None) -> None:
    """Raise an exception at the thread's next instruction; None takes one back."""
    kind = None if fault is None else ctypes.py_object(fault)
    ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread), kind)
