"""The benchmark of a controller under load runs and measures what it says."""

from __future__ import annotations

import pytest
from control_load import POINTS, idle, loaded, machine_text

from softctl.machine import Role, parse_machine
from softctl.runtime.loop import run_loop

pytestmark = pytest.mark.network


def test_the_machine_has_as_many_points_as_it_says() -> None:
    """A thousand, besides those that every machine has."""
    points = parse_machine(machine_text(), "load.yaml").points.values()
    assert sum(point.role is not Role.SYSTEM for point in points) == POINTS >= 1_000


def test_a_short_run_polls_scans_and_measures() -> None:
    """Clients read, scans are made on time or counted, a collection costs less once memory is
    settled; the bare loop has its figures too."""
    run = run_loop(loaded(1.0, 3, True))
    assert len(run.late) == len(run.took)
    assert len(run.late) + run.overruns >= 60
    assert run.polls > 3
    plain, settled = run.full_us
    assert settled < plain
    assert len(run_loop(idle(0.3)).late) >= 20
