"""Linear scaling between a value and counts in a register."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from math import inf
from typing import Any

INT_LIMITS = (-32_768, 32_767)


class Scaling:
    """`low`…`high` of a range in its unit stand for `raw_low`…`raw_high` counts.

    Counts outside the ends go on linearly, so that under- and over-range signals
    (NAMUR NE 43) survive, and stop at `limits`, which are what the register holds.
    The formulas are Python text, so that a function that is generated for many points has
    them in its lines and calls nothing; `inf` in them is the number.

    Attributes:
        to_raw: the nearest count for a value; one that is not a number reads as no signal,
            which is the least count.
        from_raw: the value that a count stands for; at the ends exactly those of the range.
    """

    __slots__ = ("_figures", "from_raw", "to_raw")

    def __init__(
        self,
        low: float,
        high: float,
        raw_low: int,
        raw_high: int,
        limits: tuple[int, int] = INT_LIMITS,
    ) -> None:
        self._figures = (low, high, raw_low, raw_high, limits)
        self.to_raw: Callable[[float], int] = _compiled(self.to_raw_text("given", "counts"))
        self.from_raw: Callable[[int], float] = _compiled(self.from_raw_text("given", "share"))

    def to_raw_text(self, value: str, free: str) -> str:
        """The expression of the counts for that of a value; `free` is a name to use."""
        low, high, raw_low, raw_high, (least, most) = self._figures
        span, raw_span = high - low, raw_high - raw_low
        counts = f"({free} := {raw_low} + ({value} - {low!r}) / {span!r} * {raw_span})"
        return f"({most} if {counts} >= {most} else round({free}) if {free} > {least} else {least})"

    def from_raw_text(self, raw: str, free: str) -> str:
        """The expression of the value for the variable `raw`; `free` is a name to use."""
        low, high, raw_low, raw_high, _ = self._figures
        share = f"({free} := ({raw} - {raw_low}) / {raw_high - raw_low})"
        return f"({low!r} * (1.0 - {share}) + {high!r} * {free})"

    def is_within(self, raw: int) -> bool:
        """True for the counts of the range, both ends included."""
        _, _, raw_low, raw_high, _ = self._figures
        return min(raw_low, raw_high) <= raw <= max(raw_low, raw_high)


@lru_cache(maxsize=4096)
def _compiled(text: str) -> Callable[[Any], Any]:
    """A function of `given`; machines are built again and again with the same ranges."""
    made: Callable[[Any], Any] = eval(f"lambda given: {text}", {"inf": inf})
    return made
