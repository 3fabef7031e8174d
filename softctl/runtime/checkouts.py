"""Checkouts in real time: an HMI map of their own behind a server, or that of a controller."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

from softctl.checkout import (
    DEFAULT_TOLERANCE,
    Checkout,
    Session,
    Step,
    choose_steps,
    make_plan,
)
from softctl.control import ControlState
from softctl.control.hmi import HmiMap
from softctl.errors import SoftctlError
from softctl.image import Side
from softctl.image.permissions import role_table
from softctl.machine import Value
from softctl.modbus.device import Device
from softctl.modbus.faults import Faults
from softctl.runtime.checkout_file import CheckoutFile
from softctl.runtime.control_service import ControlService
from softctl.runtime.events import EventSink, ignore
from softctl.runtime.folder import MachineFolder
from softctl.runtime.modbus_server import Listener, ModbusServer
from softctl.runtime.records import now_text, record_basis
from softctl.runtime.server_settings import identification, serve
from softctl.runtime.tasks import end_task
from softctl.runtime.tls_files import require_tls

SETTLE_S = 1.0
"""How long after a write it is waited for a second one, which must not come."""


@dataclass(frozen=True, slots=True)
class Choice:
    """Which steps: patterns of points or step ids, roles, cards; empty leaves all."""

    names: Sequence[str] = ()
    roles: Sequence[str] = ()
    cards: Sequence[str] = ()


def plan_of(folder: MachineFolder, choice: Choice) -> tuple[Step, ...]:
    """The steps of a machine folder that are wanted; raises SoftctlError."""
    charts = {
        chart.program.upper(): [step.name for step in chart.steps]
        for chart in folder.application.charts
    }
    steps = make_plan(folder.machine, charts)
    machine = folder.machine
    return choose_steps(steps, machine, names=choice.names, roles=choice.roles, cards=choice.cards)


def open_checkout(
    folder: MachineFolder,
    *,
    file: CheckoutFile | None = None,
    hmi: HmiMap | None = None,
    choice: Choice | None = None,
    reviewer: str = "",
    tolerance: float = DEFAULT_TOLERANCE,
) -> Checkout:
    """A checkout of a machine folder's HMI map, going on with the session in `file`.

    Without a file nothing outlives it; without `hmi` it has a map of its own. Raises
    SoftctlError.
    """
    steps = plan_of(folder, choice or Choice())
    basis = record_basis(folder.path, folder.machine, now_text())
    session = Session(basis) if file is None else file.open(basis)
    return Checkout(
        folder.machine,
        steps,
        session,
        hmi or HmiMap(folder.machine),
        now=now_text,
        reviewer=reviewer,
        keep=None if file is None else file.keep,
        tolerance=tolerance,
    )


class CheckoutService:
    """Serves the map of a checkout to HMIs, without a controller."""

    def __init__(self, checkout: Checkout) -> None:
        self.checkout = checkout
        machine = checkout.machine
        roles = role_table(machine, Side.HMI)
        device = Device(
            checkout.hmi.bank,
            machine.hmi.unit,
            write_check=checkout.hmi.check_write,
            permit=None if roles is None else roles.permits,
            identification=identification(machine, machine.hmi, "checkout"),
        )
        self.server = ModbusServer(serve([device], machine.hmi, Faults(Random(machine.seed))))
        self.server.observe(checkout.log)
        self._task: asyncio.Task[None] | None = None

    async def start(
        self,
        host: str,
        port: int,
        tls: ssl.SSLContext | None = None,
        sink: EventSink = ignore,
    ) -> tuple[str, int]:
        """Listen, and return where; raises SoftctlError."""
        require_tls(self.checkout.machine.hmi, tls)
        self.checkout.rest()
        where = await self.server.start(host, port, tls, sink)
        self._task = asyncio.create_task(self._tick())
        return where

    async def _tick(self) -> None:
        """Keep the map alive: once every scan period, for ever."""
        while True:
            self.checkout.tick(self.server.connections)
            await asyncio.sleep(self.checkout.machine.scan_ns / 1e9)

    async def wait(self) -> None:
        """Return only if the map is no longer kept alive, with the error."""
        assert self._task is not None
        await asyncio.shield(self._task)

    async def close(self) -> None:
        """Stop listening."""
        if self._task is not None:
            await end_task(self._task)
        await self.server.close()


class CheckoutGuest:
    """A checkout at the HMI server of a controller, whose programs have to stand still.

    The checkout has to be opened with the controller's `hmi`. Between `start` and `close`
    the controller does not fill its map, and whoever observed its server is not told. When
    the programs are started again, the guest leaves by itself.
    """

    def __init__(self, control: ControlService, checkout: Checkout) -> None:
        self.checkout = checkout
        self._control = control
        self._before: Listener | None = None
        self._written: Sequence[Value] = ()
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Take the map over; raises SoftctlError while the programs run."""
        controller = self._control.controller
        if controller.state is ControlState.RUNNING:
            raise SoftctlError(
                "expected stopped programs for a checkout, got programs that run: what is "
                "operated on the HMI would move the machine"
            )
        controller.shows = False
        self._written = controller.hmi.take()
        self.checkout.rest()
        self._before = self._control.server.observe(self.checkout.log)
        self._task = asyncio.create_task(self._stay())

    @property
    def is_there(self) -> bool:
        """Whether the map is the checkout's."""
        return self._task is not None and not self._task.done()

    async def close(self) -> None:
        """Give the map back, with the set points that it had."""
        if self._task is not None:
            await end_task(self._task)
            self._task = None

    async def _stay(self) -> None:
        controller, server = self._control.controller, self._control.server
        try:
            while controller.state is not ControlState.RUNNING:
                self.checkout.tick(server.connections)
                await asyncio.sleep(self.checkout.machine.scan_ns / 1e9)
        finally:
            self._leave()

    def _leave(self) -> None:
        controller = self._control.controller
        for point, value in zip(controller.hmi.written, self._written, strict=True):
            controller.hmi.put(point.name, value)
        self._control.server.observe(self._before)
        controller.shows = True


async def settled(checkout: Checkout, settle_s: float = SETTLE_S) -> None:
    """Return when something was written in the step that is shown, and nothing more came."""
    count = 0
    while True:
        now = len(checkout.log.writes)
        if now and now == count:
            return
        count = now
        await asyncio.sleep(settle_s if now else checkout.machine.scan_ns / 1e9)
