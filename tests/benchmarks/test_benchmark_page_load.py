"""The benchmark of the bench page runs and measures what it says."""

from __future__ import annotations

import pytest
from page_load import POINTS, changing_machine, looked_at, traffic

from softctl.machine import Role, parse_machine
from softctl.runtime.loop import run_loop

pytestmark = pytest.mark.network


def test_the_wide_machine_has_as_many_points_as_it_says() -> None:
    """A thousand, besides those that every machine has."""
    points = parse_machine(changing_machine(10)[0], "wide.yaml").points.values()
    assert sum(point.role is not Role.SYSTEM for point in points) == POINTS


def test_deflated_changes_are_smaller_than_plain_ones() -> None:
    """Both count what is on the wire, and something is."""
    plain = run_loop(traffic(POINTS // 10, 0.4, deflates=False, settling_s=0.3))
    deflated = run_loop(traffic(POINTS // 10, 0.4, deflates=True, settling_s=0.3))
    assert 0 < deflated < plain


def test_viewers_are_served_while_scans_are_made() -> None:
    """Two viewers get bytes, and every release is a scan or an overrun."""
    looked = run_loop(looked_at(0.5, 2))
    assert looked.bytes_s > 0
    assert len(looked.run.late) + looked.run.overruns >= 30
