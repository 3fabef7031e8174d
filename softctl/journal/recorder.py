"""Which values are worth a sample: deadband compression."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from softctl.journal.entries import Sample
from softctl.machine import Point, Value

SHARE_OF_RANGE = 0.005
"""The deadband of a number, as a share of its range (common practice)."""

KEEP_ALIVE_NS = 60_000_000_000
"""A value that does not move is noted again after so long."""


class Recorder:
    """Notes a value when it left its deadband, with the one before it, or after a minute.

    The value before a jump is noted as well, so that a line through the samples is within
    the deadband of what was.
    """

    def __init__(self, points: Sequence[Point]) -> None:
        self._points = points
        self._bands = [_deadband(point) for point in points]
        self._noted: list[tuple[int, Value] | None] = [None] * len(points)
        self._last: list[tuple[int, int, Value] | None] = [None] * len(points)

    def take(self, values: Sequence[Value], wall_ns: int, machine_ns: int) -> Iterator[Sample]:
        """The samples that these values, one for each point, are worth."""
        for index, value in enumerate(values):
            noted, last = self._noted[index], self._last[index]
            self._last[index] = (wall_ns, machine_ns, value)
            if noted is not None and self._is_still(index, noted, value, wall_ns):
                continue
            name = self._points[index].name
            if last is not None and noted is not None and last[0] > noted[0]:
                yield Sample(last[0], last[1], name, last[2])
            self._noted[index] = (wall_ns, value)
            yield Sample(wall_ns, machine_ns, name, value)

    def _is_still(self, index: int, noted: tuple[int, Value], value: Value, wall_ns: int) -> bool:
        since_ns, before = noted
        if wall_ns - since_ns >= KEEP_ALIVE_NS:
            return False
        if isinstance(value, str) or isinstance(before, str):
            return value == before
        return abs(value - before) <= self._bands[index]


def _deadband(point: Point) -> float:
    is_number = point.low is not None and point.high is not None and point.type.name != "BOOL"
    return SHARE_OF_RANGE * (float(point.high or 0) - float(point.low or 0)) if is_number else 0.0
