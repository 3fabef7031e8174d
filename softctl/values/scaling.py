"""Linear scaling between a measured value and the raw counts of an analog channel."""

from __future__ import annotations

from dataclasses import dataclass

_INT_LOW, _INT_HIGH = -32_768, 32_767


@dataclass(frozen=True, slots=True)
class Scaling:
    """`low`…`high` of a range in its unit stand for `raw_low`…`raw_high` counts.

    Counts outside the ends go on linearly, so that under- and over-range signals
    (NAMUR NE 43) survive, and stop at the limits of a signed 16-bit register.
    """

    low: float
    high: float
    raw_low: int
    raw_high: int

    def to_raw(self, value: float) -> int:
        """The nearest count for a value; a value that is not a number reads as no signal."""
        if value != value:
            return _INT_LOW
        share = (value - self.low) / (self.high - self.low)
        counts = self.raw_low + share * (self.raw_high - self.raw_low)
        return round(min(max(counts, _INT_LOW), _INT_HIGH))

    def from_raw(self, raw: int) -> float:
        """The value that a count stands for."""
        share = (raw - self.raw_low) / (self.raw_high - self.raw_low)
        return self.low + share * (self.high - self.low)
