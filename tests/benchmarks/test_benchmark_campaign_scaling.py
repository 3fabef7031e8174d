"""The benchmark of campaigns runs, and finds the same with one worker and two."""

from __future__ import annotations

from campaign_scaling import measure

from softctl.runtime.folder import demo_folder


def test_the_benchmark_measures_both() -> None:
    """Two runs give a figure for each line."""
    assert all(value > 0 for value in measure(demo_folder(), 2).values())
