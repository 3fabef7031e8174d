"""Raw counts and the values they stand for."""

from __future__ import annotations

import math

import pytest

from softctl.values.scaling import Scaling

LOOP = Scaling(0.0, 100.0, 4000, 20000)
"""Per cent over microamps of a 4–20 mA loop."""


@pytest.mark.parametrize(
    ("milliamps", "percent"),
    [(3.6, -2.5), (4.0, 0.0), (8.0, 25.0), (20.0, 100.0), (20.5, 103.125)],
)
def test_loop_current_to_percent(milliamps: float, percent: float) -> None:
    """The figures of NAMUR NE 43 for a 4–20 mA signal come out exactly, beyond the ends too."""
    raw = round(1000 * milliamps)
    assert LOOP.from_raw(raw) == percent
    assert LOOP.to_raw(percent) == raw


def test_a_value_beyond_the_register_stops_at_its_limit() -> None:
    """A signed 16-bit register cannot wrap round."""
    assert LOOP.to_raw(1e9) == 32767
    assert LOOP.to_raw(-1e9) == -32768
    assert LOOP.to_raw(math.inf) == 32767


def test_not_a_number_reads_as_no_signal() -> None:
    """NaN gives the lowest count, which is far below the under-range limit."""
    assert LOOP.to_raw(math.nan) == -32768
