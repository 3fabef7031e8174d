"""The benchmark of the bridge runs and measures what it says."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from mqtt_load import KINDS, NOWHERE, POINTS, machine_text, mosquitto, run

from softctl.machine import Role, parse_machine
from softctl.runtime.loop import run_loop

pytestmark = [pytest.mark.network, pytest.mark.peer]


def test_the_machine_has_as_many_points_as_it_says() -> None:
    """A thousand, besides those that every machine has."""
    points = parse_machine(machine_text("json: {}", 1), "load.yaml").points.values()
    assert sum(point.role is not Role.SYSTEM for point in points) == POINTS == 1_000


def test_a_short_run_scans_and_publishes(require_tool: Callable[[str], str]) -> None:
    """Scans go on beside the bridge, and messages come; without a broker they go on too."""
    with mosquitto(require_tool("mosquitto")) as port:
        found = run_loop(run(KINDS["JSON together"], port, 0.5))
    assert len(found.late) > 3
    assert found.messages > 2
    assert found.processor_s > 0
    away = run_loop(run(KINDS["JSON together"], NOWHERE, 0.3))
    assert len(away.late) > 3
    assert away.messages == 0
