"""The plant benchmark runs, and its peer computes the same."""

from __future__ import annotations

from plant_step import measure


def test_the_benchmark_measures_both_sides() -> None:
    """A short run gives a figure for each line; the peer's level agrees inside `measure`."""
    figures = measure(2000, 1, (2, 10))
    assert len(figures) == 12
    assert all(value > 0 for value in figures.values())
