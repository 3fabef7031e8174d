"""Linear scaling between a value and counts in a register."""

from __future__ import annotations

from dataclasses import dataclass

INT_LIMITS = (-32_768, 32_767)


@dataclass(frozen=True, slots=True)
class Scaling:
    """`low`…`high` of a range in its unit stand for `raw_low`…`raw_high` counts.

    Counts outside the ends go on linearly, so that under- and over-range signals
    (NAMUR NE 43) survive, and stop at `limits`, which are what the register holds.
    """

    low: float
    high: float
    raw_low: int
    raw_high: int
    limits: tuple[int, int] = INT_LIMITS

    def to_raw(self, value: float) -> int:
        """The nearest count for a value; a value that is not a number reads as no signal."""
        least, most = self.limits
        if value != value:
            return least
        share = (value - self.low) / (self.high - self.low)
        counts = self.raw_low + share * (self.raw_high - self.raw_low)
        return round(min(max(counts, least), most))

    def from_raw(self, raw: int) -> float:
        """The value that a count stands for; at the ends exactly those of the range."""
        share = (raw - self.raw_low) / (self.raw_high - self.raw_low)
        return self.low * (1.0 - share) + self.high * share

    def is_within(self, raw: int) -> bool:
        """True for the counts of the range, both ends included."""
        return min(self.raw_low, self.raw_high) <= raw <= max(self.raw_low, self.raw_high)
