"""Real-time loops that cannot keep up say so and lose time, not their heads."""

from __future__ import annotations

import asyncio
import contextlib
import time

import pytest

from softctl.control import Controller
from softctl.field import FieldDevice
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.field_service import FieldService
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder

pytestmark = pytest.mark.network


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(demo_folder())


async def test_a_scan_that_takes_too_long_skips_releases_and_counts_them(
    folder: MachineFolder,
) -> None:
    """A scan of 2.5 periods is two overruns, and the next one starts on the grid."""
    controller = Controller(folder.machine, folder.application)
    seen: list[int] = []
    honest_scan = controller.scan

    def slow_scan(now_ns: int) -> None:
        seen.append(now_ns)
        honest_scan(now_ns)
        if len(seen) == 3:
            time.sleep(2.5 * folder.machine.scan_ns / 1e9)

    controller.scan = slow_scan  # type: ignore[method-assign]
    service = ControlService(controller, MachineClock())
    await service.start("127.0.0.1", 0, ("127.0.0.1", 1))
    while len(seen) < 6:
        await asyncio.sleep(0.01)
    await service.close()
    period = folder.machine.scan_ns
    assert all(now_ns % period == 0 for now_ns in seen), "programs see the planned instants"
    assert seen[3] - seen[2] >= 3 * period
    assert controller.statistics.overruns >= 2
    assert controller.statistics.duration_max_ns >= 2.5 * period


async def test_a_plant_that_cannot_keep_up_gives_up_time_and_says_so(
    folder: MachineFolder,
) -> None:
    """At an absurd speed the plant loses machine time instead of blocking the server."""
    told: list[str] = []
    device = FieldDevice(folder.machine, folder.build_plant())
    clock = MachineClock(speed=1e6)
    service = FieldService(device, clock, lambda event, **_: told.append(event))
    await service.start("127.0.0.1", 0)
    deadline = time.monotonic() + 10
    while not service.lost_ns and time.monotonic() < deadline:
        await asyncio.sleep(0.01)
    await service.close()
    assert service.lost_ns > 0
    assert "plant does not keep up" in told
    assert device.plant.now_ns > 0


async def test_a_plant_in_slow_time_makes_its_steps(folder: MachineFolder) -> None:
    """A step that takes a third of a second of wall time is waited for, not given up."""
    device = FieldDevice(folder.machine, folder.build_plant())
    service = FieldService(device, MachineClock(speed=device.plant.step_ns / 333e6))
    await service.start("127.0.0.1", 0)
    async with asyncio.timeout(60):
        while device.plant.now_ns < 2 * device.plant.step_ns:
            await asyncio.sleep(0.01)
    await service.close()


async def test_a_scan_loop_ends_even_if_its_cancellation_is_lost(folder: MachineFolder) -> None:
    """A request that swallows a cancellation, as wait_for may, does not keep a run alive."""
    service = ControlService(Controller(folder.machine, folder.application), MachineClock())
    await service.start("127.0.0.1", 0, ("127.0.0.1", 1))
    reading = asyncio.Event()

    async def swallow() -> bool:
        if not reading.is_set():
            reading.set()
            with contextlib.suppress(asyncio.CancelledError):
                await asyncio.sleep(60)
        return False

    assert service._link is not None
    service._link.read_inputs = swallow  # type: ignore[method-assign]
    await reading.wait()
    closing = asyncio.create_task(service.close())
    done, _ = await asyncio.wait([closing], timeout=10)
    assert done, "waited for, not cancelled: a second cancellation would end it by itself"
