"""The benchmark of the copies measures two ways of doing the same."""

from __future__ import annotations

from image_copies import measure


def test_loop_and_copies_agree_and_both_are_measured() -> None:
    """Every kind of points and work has two figures; `measure` itself compares the results."""
    figures = measure(1)
    assert len(figures) == 16
    assert all(loop > 0 and copies > 0 for loop, copies in figures.values())
