"""The benchmark of the folders' plants runs."""

from __future__ import annotations

from plant_folders import measure

from softctl.runtime.starters import starter_names


def test_the_benchmark_measures_every_folder() -> None:
    """A short run gives positive figures for each."""
    figures = measure(2)
    assert set(figures) == set(starter_names())
    assert all(value > 0 for row in figures.values() for value in row.values())
