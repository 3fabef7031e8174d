"""The values of all points at an instant, and which of them are news."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import compress
from operator import ne

from softctl.machine import Point, Role, Value
from softctl.values.types import Kind

_BANDED = (Kind.SIGNED, Kind.UNSIGNED, Kind.REAL, Kind.DURATION)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Values in the order of a session's points.

    `at_ms` is UTC in milliseconds since 1970. `is_present` is False when the controller
    cannot be reached, so that the values are old; `is_linked` when its field cannot.
    """

    at_ms: int
    values: Sequence[Value]
    is_present: bool = True
    is_linked: bool = True


class Tracker:
    """Finds what is news: a value beyond its deadband, or one whose trust has changed.

    `deadband` is a share of a point's range; what has no range has none.
    """

    def __init__(self, points: Sequence[Point], deadband: float) -> None:
        self.points = points
        self._bands = [_band(point, deadband) for point in points]
        self._has_bands = any(self._bands)
        self._inputs = [point.role is Role.INPUT for point in points]
        self._told: list[Value | None] = [None] * len(points)
        self._trust: tuple[bool, bool] | None = None

    def news(self, snapshot: Snapshot) -> Sequence[int]:
        """The indices of what is news since the last time; of everything the first time.

        What changed is found and noted by C: a scan shares the thread with this.
        """
        trust = (snapshot.is_present, snapshot.is_linked)
        values = snapshot.values
        found: Sequence[int] = range(len(values))
        if trust == self._trust:
            found = list(compress(found, map(ne, values, self._told)))
            if self._has_bands:
                found = [index for index in found if self._is_news(index, values[index])]
        self._trust = trust
        if self._has_bands:
            for index in found:
                self._told[index] = values[index]
        elif found:
            self._told = list(values)
        return found

    @property
    def is_all_good(self) -> bool:
        """Whether every value last seen can be trusted."""
        return self._trust == (True, True)

    def is_good(self, index: int) -> bool:
        """Whether the value last seen can be trusted."""
        if self._trust is None:
            return False
        is_present, is_linked = self._trust
        return is_present and (is_linked or not self._inputs[index])

    def _is_news(self, index: int, value: Value) -> bool:
        band, told = self._bands[index], self._told[index]
        if not band or told is None or isinstance(told, str) or isinstance(value, str):
            return True
        return not abs(value - told) <= band  # a NaN is news


def _band(point: Point, share: float) -> float:
    if point.type.kind not in _BANDED or point.low is None or point.high is None:
        return 0.0
    return share * (float(point.high) - float(point.low))
