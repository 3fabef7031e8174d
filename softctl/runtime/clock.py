"""Machine time for real-time loops."""

from __future__ import annotations

import asyncio
import time


class MachineClock:
    """Nanoseconds of machine time, which runs `speed` times as fast as the wall clock.

    Built on the monotonic clock, so a wall clock set back does no harm. Communication
    time-outs are not machine time: a wire is no faster because a simulation is.
    """

    def __init__(self, speed: float = 1.0) -> None:
        self.speed = speed
        self._origin_ns = time.monotonic_ns()

    def now_ns(self) -> int:
        """Machine time since this clock was made."""
        return int((time.monotonic_ns() - self._origin_ns) * self.speed)

    def wall_ns(self, machine_ns: int) -> int:
        """How long a span of machine time takes on the wall."""
        return int(machine_ns / self.speed)

    async def sleep_until(self, machine_ns: int) -> None:
        """Wait for an instant of machine time; one already past only yields to other tasks."""
        ahead_ns = self.wall_ns(machine_ns - self.now_ns())
        await asyncio.sleep(max(0.0, ahead_ns / 1e9))
