"""Linear scaling between a value and counts in a register."""

from __future__ import annotations

from collections.abc import Callable

INT_LIMITS = (-32_768, 32_767)


class Scaling:
    """`low`…`high` of a range in its unit stand for `raw_low`…`raw_high` counts.

    Counts outside the ends go on linearly, so that under- and over-range signals
    (NAMUR NE 43) survive, and stop at `limits`, which are what the register holds.

    Attributes:
        to_raw: the nearest count for a value; one that is not a number reads as no signal,
            which is the least count.
        from_raw: the value that a count stands for; at the ends exactly those of the range.
    """

    # Closures, since a scan calls them for every analog point: a method would look up
    # each of these figures on every call.
    __slots__ = ("_ends", "from_raw", "to_raw")

    def __init__(
        self,
        low: float,
        high: float,
        raw_low: int,
        raw_high: int,
        limits: tuple[int, int] = INT_LIMITS,
    ) -> None:
        self._ends = (min(raw_low, raw_high), max(raw_low, raw_high))
        span, raw_span = high - low, raw_high - raw_low
        least, most = limits

        def to_raw(value: float) -> int:
            counts = raw_low + (value - low) / span * raw_span
            if counts >= most:
                return most
            return round(counts) if counts > least else least

        def from_raw(raw: int) -> float:
            share = (raw - raw_low) / raw_span
            return low * (1.0 - share) + high * share

        self.to_raw: Callable[[float], int] = to_raw
        self.from_raw: Callable[[int], float] = from_raw

    def is_within(self, raw: int) -> bool:
        """True for the counts of the range, both ends included."""
        return self._ends[0] <= raw <= self._ends[1]
