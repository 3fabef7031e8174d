"""A machine clock for trials, which waits for who is late."""

from __future__ import annotations

import asyncio
import math

from softctl.runtime.clock import MachineClock

_NEAR_S = 1e-6


class TrialClock(MachineClock):
    """A machine clock that does not go beyond what was allowed.

    So a busy computer makes machine time slower, and takes nothing from it: no scan is
    skipped and no plant falls behind. Machine time never jumps.
    """

    def __init__(self, speed: float = 1.0) -> None:
        super().__init__(speed)
        self._limit_ns: int | None = None

    def now_ns(self) -> int:
        """Machine time since this clock was made."""
        now_ns = super().now_ns()
        return now_ns if self._limit_ns is None else min(now_ns, self._limit_ns)

    def allow(self, limit_ns: int) -> None:
        """Let machine time come to an instant and stand there, until another one is allowed."""
        if self._limit_ns is not None and self.now_ns() >= self._limit_ns:
            self._anchor()
        self._limit_ns = limit_ns

    async def sleep_until(self, machine_ns: int, at_most_s: float = math.inf) -> bool:
        """As any machine clock, but by a time that may have stood meanwhile."""
        end_s = asyncio.get_running_loop().time() + at_most_s
        while True:
            left_s = end_s - asyncio.get_running_loop().time()
            if not await super().sleep_until(machine_ns, left_s):
                return False
            if self._ahead_s(machine_ns) <= _NEAR_S:
                return True
