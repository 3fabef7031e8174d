"""The clock of live trials, on a wall clock that the test moves."""

from __future__ import annotations

import asyncio

import pytest

from softctl.runtime import clock
from softctl.runtime.trial_clock import TrialClock

S = 1_000_000_000


class Wall:
    """A monotonic clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now_ns = 5 * S

    def monotonic_ns(self) -> int:
        return self.now_ns


@pytest.fixture
def wall(monkeypatch: pytest.MonkeyPatch) -> Wall:
    wall = Wall()
    monkeypatch.setattr(clock, "time", wall)
    return wall


def test_machine_time_goes_on_from_where_the_speed_changed(wall: Wall) -> None:
    """Two seconds at 10 are twenty; three more at 1 are three."""
    made = TrialClock(10)
    wall.now_ns += 2 * S
    assert made.now_ns() == 20 * S
    made.set_speed(1)
    assert made.now_ns() == 20 * S
    wall.now_ns += 3 * S
    assert made.now_ns() == 23 * S


def test_machine_time_waits_at_its_limit_and_does_not_race_after(wall: Wall) -> None:
    """What the wall went on by while it stood is gone, and nothing is to be caught up."""
    made = TrialClock(10)
    made.allow(15 * S)
    wall.now_ns += 4 * S
    assert made.now_ns() == 15 * S
    made.allow(30 * S)
    assert made.now_ns() == 15 * S
    wall.now_ns += S
    assert made.now_ns() == 25 * S
    made.allow(40 * S)
    assert made.now_ns() == 25 * S


async def test_a_sleeper_wakes_by_the_new_speed() -> None:
    """Who sleeps for a minute at speed 1 is through at once when the clock runs fast."""
    made = TrialClock(1)
    task = asyncio.create_task(made.sleep_until(60 * S))
    await asyncio.sleep(0)
    made.set_speed(1_000_000)
    await asyncio.wait_for(task, 60)
    assert made.now_ns() >= 60 * S


async def test_a_sleeper_is_not_woken_before_its_time() -> None:
    """Also where the clock is slowed down while it sleeps."""
    made = TrialClock(1_000)
    task = asyncio.create_task(made.sleep_until(20 * S))
    await asyncio.sleep(0)
    made.set_speed(100)
    await asyncio.wait_for(task, 60)
    assert made.now_ns() >= 20 * S - 1_000_000
