"""The simulated machine in real time: a plant loop and its Modbus/TCP server."""

from __future__ import annotations

import asyncio
import ssl
import time
from random import Random

from softctl.field import FieldDevice
from softctl.image import Side
from softctl.image.permissions import role_table
from softctl.modbus.clients import Client
from softctl.modbus.device import Device
from softctl.modbus.faults import Faults
from softctl.plant.simulation import Snapshot
from softctl.runtime.clock import MachineClock
from softctl.runtime.events import EventSink, ignore
from softctl.runtime.modbus_server import ModbusServer
from softctl.runtime.server_settings import identification, serve
from softctl.runtime.tasks import end_task
from softctl.runtime.tls_files import require_tls
from softctl.values.tables import Table

_MAX_BEHIND_WALL_NS = 250_000_000
_SLICE_STEPS = 200
_WATCH_EVERY_S = 0.05
"""The cards' watchdog looks so often even where machine time is slow or stands."""


class FieldService:
    """Steps a field device in time with a clock and serves its bank.

    A plant that cannot keep up loses the time it is behind instead of racing after it,
    and says so; `lost_ns` is the machine time given up so far. `faults` are what goes wrong
    on the server's wire on purpose, none at first.
    """

    def __init__(self, device: FieldDevice, clock: MachineClock, sink: EventSink = ignore) -> None:
        self.device = device
        self.clock = clock
        self.lost_ns = 0
        self._sink = sink
        endpoint = device.machine.field
        devices = [answering(device, unit, unit, sink) for unit in device.banks]
        self.faults = Faults(Random(device.machine.seed))
        self.server = ModbusServer(serve(devices, endpoint, self.faults))
        self._task: asyncio.Task[None] | None = None
        self._origin_ns = 0

    async def start(
        self, host: str, port: int, tls: ssl.SSLContext | None = None
    ) -> tuple[str, int]:
        """Listen, start the plant and return where it listens; raises SoftctlError.

        `tls` is None where the machine file asks for none, and only there.
        """
        require_tls(self.device.machine.field, tls)
        self.faults.started_ns = time.monotonic_ns()
        where = await self.server.start(host, port, tls, self._sink)
        self._task = asyncio.create_task(self._run())
        return where

    async def close(self) -> None:
        """Stop the plant and the server."""
        if self._task is not None:
            await end_task(self._task)
        await self.server.close()

    def begin_anew(self, state: Snapshot) -> None:
        """Put the plant back to a state that its `snapshot` gave, and go on from there."""
        plant = self.device.plant
        plant.restore(state)
        self._origin_ns = self.clock.now_ns() - plant.now_ns - self.lost_ns

    async def wait(self) -> None:
        """Return only if the plant loop ends, with its error."""
        assert self._task is not None
        await asyncio.shield(self._task)

    async def _run(self) -> None:
        plant, clock = self.device.plant, self.clock
        self._origin_ns = clock.now_ns() - plant.now_ns
        while True:
            due_ns = clock.now_ns() - self._origin_ns - self.lost_ns
            for _ in range(min((due_ns - plant.now_ns) // plant.step_ns, _SLICE_STEPS)):
                self.device.step()
            if self.device.watch(time.monotonic_ns()):
                self._sink("outputs to fail-safe", reason="no controller writes")
            self._give_up_time(due_ns - plant.now_ns)
            next_ns = plant.now_ns + plant.step_ns
            await clock.sleep_until(next_ns + self._origin_ns + self.lost_ns, _WATCH_EVERY_S)

    def _give_up_time(self, behind_ns: int) -> None:
        if self.clock.is_behind(behind_ns, self.device.plant.step_ns, _MAX_BEHIND_WALL_NS):
            self.lost_ns += behind_ns
            self._sink("plant does not keep up", lost_s=round(self.lost_ns / 1e9, 3))


def answering(device: FieldDevice, unit: int, at: int, sink: EventSink = ignore) -> Device:
    """What answers at the unit id `at` for the cards of one unit id of the machine."""
    machine = device.machine
    roles = role_table(machine, Side.FIELD, unit)

    def note_write(client: Client, table: Table, address: int, data: bytes) -> None:
        if device.note_write(time.monotonic_ns(), unit):
            sink("outputs driven by", client=client.name)

    return Device(
        device.banks[unit],
        at,
        permit=None if roles is None else roles.permits,
        on_write=note_write,
        identification=identification(machine, machine.field, "simulated field"),
    )
