"""Checkouts over Modbus/TCP: with a map of their own, and at a controller's."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from softctl.checkout import Answer, Step
from softctl.control import Controller
from softctl.errors import SoftctlError
from softctl.runtime.checkouts import CheckoutGuest, Choice, open_checkout, settled
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder
from softctl.runtime.hmi_client import HmiClient
from softctl.testing import CheckoutBench

pytestmark = pytest.mark.network

NAMES = ("LT_101", "STIR_TIME", "START", "FEED_STEP:4", "RUNNING")


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(demo_folder())


class Screen:
    """A tester in front of an HMI program that is softctl's own client."""

    def __init__(self, client: HmiClient, *, doubles: bool = False) -> None:
        self.client = client
        self.presses = 2 if doubles else 1

    async def __call__(self, step: Step) -> str | None:
        machine = self.client.machine
        if step.operation is not None:
            for _ in range(self.presses):
                await self.client.put(step.operation.main, step.operation.value)
            return "done"
        await self.client.poll()
        (value,) = self.client.reader([machine.points[step.point]])()
        if step.answer is Answer.TIME:
            return f"{value / 1e9:g}"
        return str(value).lower()


async def test_a_test_drives_a_checkout(folder: MachineFolder, tmp_path: Path) -> None:
    """The HMI program passes; a second run of its session has nothing left to ask."""
    session = tmp_path / "checkout.jsonl"
    async with CheckoutBench(folder, names=NAMES, session=session, reviewer="A. Test") as bench:
        client = HmiClient(folder.machine, *bench.where)
        await client.connect()
        assert await bench.run(Screen(client), look=0, settle=0.06) == []
        assert bench.checkout.progress.is_clean
        await client.close()
    async with CheckoutBench(folder, names=NAMES, session=session) as bench:
        assert bench.checkout.open_steps() == []
        client = HmiClient(folder.machine, *bench.where)
        await client.connect()
        start = bench.checkout.find("START:press")
        failed = await bench.ask(start, Screen(client, doubles=True))
        await client.close()
    assert failed.seen == "wrote TRUE 2 times"
    assert failed.frames


async def test_a_checkout_is_a_guest_of_a_controller_that_stands_still(
    folder: MachineFolder,
) -> None:
    """The controller's own map shows the step, and afterwards the machine again."""
    controller = Controller(folder.machine, folder.application)
    control = ControlService(controller, MachineClock())
    controller.hmi.put("STIR_TIME", 33_000_000_000)
    checkout = open_checkout(folder, hmi=controller.hmi, choice=Choice(("LT_101", "START")))
    guest = CheckoutGuest(control, checkout)
    where = await control.start("127.0.0.1", 0, ("127.0.0.1", 1))
    try:
        with pytest.raises(SoftctlError, match="expected stopped programs for a checkout"):
            await guest.start()
        assert controller.values()["STIR_TIME"] == 33_000_000_000
        control.stop("test")
        await guest.start()
        client = HmiClient(folder.machine, *where)
        await client.connect()
        checkout.begin("LT_101:50%")
        await client.poll()
        read = client.reader([folder.machine.points[name] for name in ("LT_101", "STIR_TIME")])
        assert read() == (pytest.approx(0.69), 75_000_000_000)
        checkout.begin("START:press")
        await client.put("START", True)
        await settled(checkout, 0.06)
        assert checkout.answer("START:press", "done").verdict.value == "pass"
        await guest.close()
        controller.scan(control.now_ns)
        await client.poll()
        assert read() == (pytest.approx(-0.345), 33_000_000_000)  # no field: 0 mA at 4 to 20 mA
        await client.close()
        await guest.start()
        control.restart("test")
        while guest.is_there:
            await asyncio.sleep(0.01)
        assert controller.shows
    finally:
        await guest.close()
        await control.close()
