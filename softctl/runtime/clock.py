"""Machine time for real-time loops."""

from __future__ import annotations

import asyncio
import math
import time


class MachineClock:
    """Nanoseconds of machine time, which runs `speed` times as fast as the wall clock.

    Built on the monotonic clock, so a wall clock set back does no harm. Communication
    time-outs are not machine time: a wire is no faster because a simulation is, and it goes
    on while this clock stands.
    """

    def __init__(self, speed: float = 1.0) -> None:
        self.speed = speed
        self.is_paused = False
        self._since_ns = time.monotonic_ns()
        """The wall clock when machine time was `_base_ns`."""
        self._base_ns = 0
        self._waiting: dict[asyncio.Future[bool], int] = {}

    def now_ns(self) -> int:
        """Machine time since this clock was made."""
        if self.is_paused:
            return self._base_ns
        return self._base_ns + int((time.monotonic_ns() - self._since_ns) * self.speed)

    def wall_ns(self, machine_ns: int) -> int:
        """How long a span of machine time takes on the wall while the clock runs."""
        return int(machine_ns / self.speed)

    def is_behind(self, machine_ns: int, step_ns: int, most_wall_ns: int) -> bool:
        """Whether steps that are due take longer on the wall than may be made up for.

        Where time is slow, less than a step may be long on the wall, and is not behind.
        """
        return machine_ns >= step_ns and self.wall_ns(machine_ns) > most_wall_ns

    async def sleep_until(self, machine_ns: int, at_most_s: float = math.inf) -> bool:
        """Wait for an instant of machine time; one already past only yields to other tasks.

        Returns False when `at_most_s` seconds of the wall clock have passed before.
        """
        loop = asyncio.get_running_loop()
        end_s = loop.time() + at_most_s
        while True:
            ahead_s = self._ahead_s(machine_ns)
            if ahead_s <= 0:
                await asyncio.sleep(0)
                return True
            left_s = end_s - loop.time()
            if left_s <= 0:
                return False
            if not await self._wait(machine_ns, min(ahead_s, left_s)):
                return ahead_s <= left_s

    # Changes, from the event loop's thread only

    def set_speed(self, speed: float) -> None:
        """Run at another speed from now on; machine time goes on from where it is."""
        self._anchor()
        self.speed = speed
        self._wake()

    def pause(self) -> None:
        """Let machine time stand."""
        self._anchor()
        self.is_paused = True
        self._wake()

    def go(self) -> None:
        """Let it run again."""
        self._anchor()
        self.is_paused = False
        self._wake()

    def jump(self, machine_ns: int) -> None:
        """Put a paused clock forward; who waits for an earlier instant wakes first."""
        assert self.is_paused, "only a clock that stands is put forward"
        self._base_ns += machine_ns
        due = [(at_ns, one) for one, at_ns in self._waiting.items() if at_ns <= self._base_ns]
        for _, one in sorted(due, key=lambda pair: pair[0]):
            _end(one, True)

    def _anchor(self) -> None:
        self._base_ns = self.now_ns()
        self._since_ns = time.monotonic_ns()

    def _ahead_s(self, machine_ns: int) -> float:
        ahead_ns = machine_ns - self.now_ns()
        if self.is_paused and ahead_ns > 0:
            return math.inf
        return self.wall_ns(ahead_ns) / 1e9

    async def _wait(self, machine_ns: int, seconds: float) -> bool:
        """Wait so long, or until the clock changes: then True."""
        loop = asyncio.get_running_loop()
        changed: asyncio.Future[bool] = loop.create_future()
        self._waiting[changed] = machine_ns
        timer = None if math.isinf(seconds) else loop.call_later(seconds, _end, changed, False)
        try:
            return await changed
        finally:
            del self._waiting[changed]
            if timer is not None:
                timer.cancel()

    def _wake(self) -> None:
        for one in tuple(self._waiting):
            _end(one, True)


def _end(waiting: asyncio.Future[bool], changed: bool) -> None:
    if not waiting.done():
        waiting.set_result(changed)
