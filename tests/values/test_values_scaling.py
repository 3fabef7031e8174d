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


def test_the_ends_are_exact_in_any_type_of_counts() -> None:
    """0.1 and 0.7, which doubles do not hold, come back unchanged from the ends of a UINT."""
    scaling = Scaling(0.1, 0.7, 0, 60_000, (0, 65_535))
    assert scaling.from_raw(0) == 0.1
    assert scaling.from_raw(60_000) == 0.7
    assert scaling.to_raw(-1.0) == 0
    assert scaling.to_raw(1.0) == 65_535
    assert scaling.to_raw(math.nan) == 0


def test_counts_may_run_against_the_value() -> None:
    """A range whose counts fall as the value rises has the same ends."""
    scaling = Scaling(0.0, 10.0, 1000, -1000)
    assert scaling.to_raw(2.5) == 500
    assert scaling.from_raw(-1000) == 10.0
    assert [scaling.is_within(raw) for raw in (1001, 1000, -1000, -1001)] == [
        False,
        True,
        True,
        False,
    ]


def test_a_range_that_no_double_spans_is_no_error() -> None:
    """The widest range there is: its span is infinite, and every value in it the lowest count."""
    scaling = Scaling(-1.5e308, 1.5e308, 0, 100)
    assert scaling.to_raw(1.0) == 0
    assert scaling.from_raw(100) == 1.5e308
