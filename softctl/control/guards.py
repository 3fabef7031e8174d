"""Guards: what must never be, and answers that must come in time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from softctl.machine import Value, WatchedGuard

TRAIL_NS = 10_000_000_000
"""How much of the past a breach keeps."""

Trail = tuple[tuple[int, tuple[Value, ...]], ...]


@dataclass(frozen=True, slots=True)
class GuardBreach:
    """A guard that did not hold: when, what it protects, and every point before it.

    `names` are those of the points, `trail` their values at the scans of the last 10 s,
    the oldest first.
    """

    at_ns: int
    name: str
    text: str
    names: tuple[str, ...]
    trail: Trail


class GuardClock:
    """One guard in time: says once when it breaks, and again only after it held."""

    __slots__ = ("_is_broken", "_since_ns", "guard")

    def __init__(self, guard: WatchedGuard) -> None:
        self.guard = guard
        self._since_ns: int | None = None
        self._is_broken = False

    def breaks(self, condition: bool, expected: bool, now_ns: int) -> bool:
        """True in the scan in which the guard stops holding.

        `expected` is FALSE for a guard without a time. The time runs from the first scan
        in which the condition holds until the answer comes or the condition goes.
        """
        if not condition or expected:
            self._since_ns = None
            self._is_broken = False
            return False
        if self._since_ns is None:
            self._since_ns = now_ns
        if self._is_broken or now_ns - self._since_ns < self.guard.within_ns:
            return False
        self._is_broken = True
        return True


def breaches(
    clocks: Sequence[GuardClock], held: Sequence[tuple[bool, bool]], now_ns: int
) -> list[WatchedGuard]:
    """The guards that break in this scan; `held` has condition and answer of each."""
    return [
        clock.guard
        for clock, (condition, expected) in zip(clocks, held, strict=True)
        if clock.breaks(condition, expected, now_ns)
    ]
