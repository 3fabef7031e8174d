"""The logic benchmark runs, and what it compares is the same program."""

from __future__ import annotations

from logic_scan import check_agreement, compiled, measure


def test_generated_code_closures_and_python_by_hand_agree() -> None:
    """All values of a scan are the same three times over, for many scans."""
    check_agreement(compiled(1), 300)


def test_the_benchmark_measures_what_it_says() -> None:
    """A short run gives every figure, for about 330 executed statements."""
    figures = measure(3)
    assert all(value > 0 for value in figures.values())
    assert 300 <= figures["statements executed a scan"] <= 360
