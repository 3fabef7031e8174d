"""The benchmark of the virtual bench runs."""

from __future__ import annotations

from trial_speed import measure

from softctl.runtime.folder import demo_folder


def test_the_benchmark_measures_all_three() -> None:
    """A short round gives a figure for each line."""
    figures = measure(demo_folder(), 5, rounds=1)
    assert len(figures) == 5
    assert all(value > 0 for value in figures.values())
