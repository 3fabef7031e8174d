"""The benchmark of explorations runs."""

from __future__ import annotations

from explore_speed import measure

from softctl.runtime.folder import demo_folder


def test_the_benchmark_measures_walk_program_and_bench() -> None:
    """A short run gives a figure for each line, and the demo has guards to look at."""
    figures = measure(demo_folder(), 8_000)
    assert len(figures) == 6
    assert all(value > 0 for value in figures.values())
