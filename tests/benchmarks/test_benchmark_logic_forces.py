"""The benchmark of forces runs, and its three instances are told apart."""

from __future__ import annotations

from logic_forces import measure


def test_the_benchmark_measures_all_three() -> None:
    """A short run gives the scan's time and two ratios."""
    figures = measure(20, 5, 2)
    assert len(figures) == 3
    assert all(value > 0 for value in figures.values())
