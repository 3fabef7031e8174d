"""Scan figures."""

from __future__ import annotations

from softctl.control import ScanStatistics


def test_worst_figures_are_kept() -> None:
    """The last figure moves, the worst stays."""
    figures = ScanStatistics()
    figures.note(duration_ns=900_000, jitter_ns=40_000, overruns=0)
    figures.note(duration_ns=300_000, jitter_ns=10_000, overruns=2)
    shown = figures.points()
    assert shown["SCAN_TIME_US"] == 300
    assert shown["SCAN_TIME_MAX_US"] == 900
    assert shown["SCAN_JITTER_US"] == 10
    assert shown["SCAN_JITTER_MAX_US"] == 40
    assert shown["OVERRUNS"] == 2
    assert shown["SCAN_COUNT"] == shown["HEARTBEAT"] == 2


def test_a_figure_too_large_for_its_register_is_capped() -> None:
    """A scan of more than 65.535 ms reads as 65,535 us, not as something small."""
    figures = ScanStatistics()
    figures.note(duration_ns=10**9, jitter_ns=0, overruns=0)
    assert figures.points()["SCAN_TIME_US"] == 65_535


def test_the_heartbeat_wraps() -> None:
    """The heartbeat is a UINT that starts again at 0."""
    figures = ScanStatistics()
    figures.scans = 65_535
    figures.note(duration_ns=0, jitter_ns=0, overruns=0)
    assert figures.points()["HEARTBEAT"] == 0
    assert figures.points()["SCAN_COUNT"] == 65_536
