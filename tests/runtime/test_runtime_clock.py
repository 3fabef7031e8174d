"""The machine clock: continuous, whatever is done to its speed."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator

import pytest

from softctl.runtime import clock as clock_module
from softctl.runtime.clock import MachineClock

MS = 1_000_000
S = 1_000 * MS


class Wall:
    """A wall clock that is moved by hand."""

    def __init__(self) -> None:
        self.now_ns = 5 * S

    def monotonic_ns(self) -> int:
        return self.now_ns


@pytest.fixture
def wall(monkeypatch: pytest.MonkeyPatch) -> Iterator[Wall]:
    wall = Wall()
    monkeypatch.setattr(clock_module, "time", wall)
    return wall


def test_time_is_continuous_through_every_change(wall: Wall) -> None:
    """Speeds and pauses change how fast it goes on, never where it is."""
    clock = MachineClock(2.0)
    wall.now_ns += 3 * S
    assert clock.now_ns() == 6 * S
    clock.set_speed(10.0)
    assert clock.now_ns() == 6 * S
    wall.now_ns += S
    clock.pause()
    wall.now_ns += 100 * S
    assert clock.now_ns() == 16 * S
    clock.jump(50 * MS)
    clock.go()
    assert clock.now_ns() == 16 * S + 50 * MS
    wall.now_ns += S
    assert clock.now_ns() == 26 * S + 50 * MS
    assert clock.wall_ns(S) == 100 * MS


async def test_who_waits_for_an_earlier_instant_wakes_first_at_a_jump() -> None:
    """Plant before program: nobody beyond the jump wakes."""
    clock = MachineClock()
    clock.pause()
    woken: list[int] = []

    async def wait(at_ms: int) -> None:
        await clock.sleep_until(clock.now_ns() + at_ms * MS)
        woken.append(at_ms)

    tasks = [asyncio.create_task(wait(at_ms)) for at_ms in (50, 10, 51)]
    await asyncio.sleep(0)
    clock.jump(50 * MS)
    for _ in range(5):
        await asyncio.sleep(0)
    assert woken == [10, 50]
    clock.set_speed(1000.0)
    clock.go()
    await asyncio.wait_for(asyncio.gather(*tasks), 60)
    assert woken == [10, 50, 51]


async def test_a_wait_ends_after_its_wall_time_and_says_that_it_is_too_early() -> None:
    """A clock that stands holds nobody up for longer than asked."""
    clock = MachineClock()
    assert await clock.sleep_until(clock.now_ns() - 1) is True
    clock.pause()
    assert await clock.sleep_until(clock.now_ns() + S, 0.005) is False
    clock.go()
    assert await clock.sleep_until(clock.now_ns() + 2 * MS, 60.0) is True
