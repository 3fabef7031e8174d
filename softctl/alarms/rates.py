"""How many alarms an operator gets, next to what the published guidance calls bearable.

Guidance per operator: about 1 in 10 minutes is acceptable, 2 are the most that can be
managed, and more than 10 are a flood (ISA-18.2 / IEC 62682, alarm rate metrics). A flood
is over when fewer than 5 come in 10 minutes (the same metrics, from memory).
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Mapping
from dataclasses import dataclass

from softctl.alarms.rules import Priority

WINDOW_NS = 600_000_000_000
ACCEPTABLE, MANAGEABLE, FLOOD_ABOVE, FLOOD_ENDS_BELOW = 1, 2, 10, 5
PRIORITY_SHARES: Mapping[Priority, float] = {
    Priority.LOW: 0.80,
    Priority.MEDIUM: 0.15,
    Priority.HIGH: 0.05,
}
"""The guidance's split of announced alarms over three priorities."""


@dataclass(frozen=True, slots=True)
class RateFigures:
    """Alarms announced: in the last 10 minutes, at most in any 10, in the mean of all 10s.

    `shares` are those of the priorities, adding up to 1 where anything was announced;
    `frequent` names those that came most often, with their counts.
    """

    last_10_min: int
    peak_10_min: int
    mean_10_min: float
    total: int
    floods: int
    is_flood: bool
    shares: Mapping[Priority, float]
    frequent: tuple[tuple[str, int], ...]

    @property
    def verdict(self) -> str:
        """The mean rate in the guidance's words."""
        if self.mean_10_min <= ACCEPTABLE:
            return "acceptable"
        if self.mean_10_min <= MANAGEABLE:
            return "manageable"
        return "more than one operator can manage"


class AlarmRates:
    """Counts announcements; times must not go back."""

    def __init__(self, started_ns: int) -> None:
        self._started_ns = started_ns
        self._recent: deque[int] = deque()
        self._names: Counter[str] = Counter()
        self._priorities: Counter[Priority] = Counter()
        self._peak = 0
        self.floods = 0
        self.is_flood = False

    def note(self, name: str, priority: Priority, now_ns: int) -> None:
        """Take in one announced alarm."""
        self._recent.append(now_ns)
        self._names[name] += 1
        self._priorities[priority] += 1
        self.update(now_ns)
        self._peak = max(self._peak, len(self._recent))
        if len(self._recent) > FLOOD_ABOVE and not self.is_flood:
            self.is_flood = True
            self.floods += 1

    def update(self, now_ns: int) -> None:
        """Forget what is older than 10 minutes."""
        recent = self._recent
        while recent and recent[0] <= now_ns - WINDOW_NS:
            recent.popleft()
        if self.is_flood and len(recent) < FLOOD_ENDS_BELOW:
            self.is_flood = False

    def figures(self, now_ns: int, most: int = 10) -> RateFigures:
        """The figures at an instant; the mean is over at least one window."""
        self.update(now_ns)
        total = self._names.total()
        windows = max(1.0, (now_ns - self._started_ns) / WINDOW_NS)
        return RateFigures(
            last_10_min=len(self._recent),
            peak_10_min=self._peak,
            mean_10_min=total / windows,
            total=total,
            floods=self.floods,
            is_flood=self.is_flood,
            shares={one: self._priorities[one] / total if total else 0.0 for one in Priority},
            frequent=tuple(self._names.most_common(most)),
        )
