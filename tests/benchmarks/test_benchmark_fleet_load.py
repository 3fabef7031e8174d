"""Many devices under load, smaller than the benchmark: all answered, all stepped."""

from __future__ import annotations

import pytest
from fleet_load import measure

pytestmark = pytest.mark.network


async def test_two_hundred_devices_answer_and_go_on() -> None:
    """A client on each is answered without an error while every plant is stepped."""
    result = await measure(200, 0.5, 0.1)
    assert result.errors == 0
    assert result.requests >= 200
    assert result.steps >= 200
    assert result.ratio > 0
