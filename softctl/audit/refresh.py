"""At which intervals a host reads points, over all its reads and connections."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from softctl.audit.observe import ClientLog, ReadStream, Span
from softctl.audit.uses import Map, covers
from softctl.machine import Point

_LATE, _AT_TIMES_LATE = 1.1, 1.5
_FEW, _SOME = 3, 20
_PAUSE = 10


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Intervals in ns between the reads of something: `p99_ns` is the 99th percentile.

    `steady_p99_ns` is that without pauses, which are longer than ten medians: a screen that
    is shown again. `streams` are the reads that they come from, the most frequent first.
    """

    streams: tuple[ReadStream, ...]
    count: int
    minimum_ns: int
    median_ns: float
    p99_ns: int
    steady_p99_ns: int

    def is_slow(self, required_ns: int) -> bool:
        """True if the median is more than a tenth too long, of three intervals or more."""
        return self.count >= _FEW and self.median_ns > _LATE * required_ns

    def is_late_at_times(self, required_ns: int) -> bool:
        """True if one interval in a hundred is half too long, of twenty or more."""
        return self.count >= _SOME and self.steady_p99_ns > _AT_TIMES_LATE * required_ns


class Rhythms:
    """The rhythms of one host's reads, each worked out once."""

    def __init__(self, logs: Sequence[ClientLog]) -> None:
        self._streams = [stream for log in logs for stream in log.reads.values()]
        self._covering: dict[Span, list[ReadStream]] = {}
        self._known: dict[tuple[int, ...], Rhythm | None] = {}

    def streams(self, span: Span) -> list[ReadStream]:
        """The reads that hold all of a range, the most frequent first."""
        if span not in self._covering:
            found = [stream for stream in self._streams if covers(stream.span, span)]
            self._covering[span] = sorted(found, key=lambda stream: -stream.count)
        return self._covering[span]

    def of(self, map_: Map, point: Point) -> Rhythm | None:
        """The rhythm of a point; None if it was not read twice."""
        streams = self.streams(map_.span(point))
        key = tuple(map(id, streams))
        if key not in self._known:
            self._known[key] = _rhythm(streams)
        return self._known[key]


def _rhythm(streams: Sequence[ReadStream]) -> Rhythm | None:
    """Of several reads of the same, the time from any to the next of any counts."""
    times = [stream.times for stream in streams]
    # Of a read whose early intervals are gone, nobody knows when it came then.
    cut = [stream.times[0] for stream in streams if stream.is_cut]
    since_ns = max(cut, default=0)
    ordered = sorted(at_ns for each in times for at_ns in each if at_ns >= since_ns)
    intervals = sorted(after - before for before, after in pairwise(ordered))
    if not intervals:
        return None
    middle = median(intervals)
    steady = [each for each in intervals if each <= _PAUSE * middle]
    return Rhythm(
        tuple(streams), len(intervals), intervals[0], middle, _p99(intervals), _p99(steady)
    )


def _p99(ordered: Sequence[int]) -> int:
    """The 99th percentile by nearest rank (a common definition)."""
    return ordered[math.ceil(0.99 * len(ordered)) - 1]
