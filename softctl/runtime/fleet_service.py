"""Many devices of one machine in one process, to load a client with."""

from __future__ import annotations

import asyncio
import ssl
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from random import Random

from softctl.field import FieldDevice
from softctl.modbus.faults import Faults
from softctl.plant import Plant
from softctl.runtime.clock import MachineClock
from softctl.runtime.events import EventSink, ignore
from softctl.runtime.field_service import answering
from softctl.runtime.fleet_seats import Seat, require_files, require_one_unit
from softctl.runtime.modbus_server import ModbusServer
from softctl.runtime.server_settings import serve
from softctl.runtime.tasks import end_task
from softctl.runtime.tls_files import require_tls

TURN_WALL_NS = 100_000
"""Wall time between the turns of two plants, so that many leave time for requests."""

LATE_WALL_NS = 100_000_000
"""How long after its turn a plant step is late, or a round where that is longer."""

_WAKE_WALL_NS = 2_000_000
_MAX_BEHIND_WALL_NS = 1_000_000_000
_TELL_EVERY_NS = 5_000_000_000
_MOST_STEPS = 200


@dataclass(slots=True)
class Member:
    """One device, the seed it draws from and where it answers."""

    device: FieldDevice
    seed: int
    seat: Seat
    lost_ns: int = 0


class FleetService:
    """Independent devices of one machine, each with a seed of its own, behind their servers.

    The plants take turns: within a round each is stepped up to the present. A round is a
    plant step long, or 0.1 ms of wall time for each device where that is more; a larger
    round only means that a plant sees what was written, and shows what came of it, that much
    later. Steps that are made more than 0.1 s of wall time after that (or a round, where it
    is longer) are counted as `late_steps`; a plant that is a second of wall time behind gives
    that time up, counted in its `lost_ns`.

    Args:
        device: the first device; the others are of the same compiled plant, with the seeds
            that follow the machine's.
        seats: one for each device, in a row; those of one host and port, unless it is
            port 0, share a server.

    Raises:
        SoftctlError: devices are to share a server at unit ids, and the machine uses several.
    """

    def __init__(
        self,
        device: FieldDevice,
        seats: Sequence[Seat],
        clock: MachineClock,
        sink: EventSink = ignore,
    ) -> None:
        machine = self.machine = device.machine
        self.clock = clock
        self._sink = sink
        self.members = [
            Member(_another(device, machine.seed + i) if i else device, machine.seed + i, seat)
            for i, seat in enumerate(seats)
        ]
        self.groups = list(_grouped(self.members))
        if any(len(group) > 1 for group in self.groups):
            require_one_unit(list(device.banks))
        self.servers = [self._server(group) for group in self.groups]
        step_ns = device.plant.step_ns
        turns_ns = int(len(self.members) * TURN_WALL_NS * clock.speed)
        self.round_ns = max(1, -(-turns_ns // step_ns)) * step_ns
        self.late_steps = 0
        self._told = (0, 0)
        self._told_at_ns = -_TELL_EVERY_NS
        self._task: asyncio.Task[None] | None = None

    @property
    def clients(self) -> int:
        """The connected clients of all devices."""
        return sum(server.connections for server in self.servers)

    @property
    def requests(self) -> int:
        """The requests that were answered so far, by all devices."""
        return sum(server.requests for server in self.servers)

    @property
    def driven(self) -> int:
        """The devices whose outputs somebody writes."""
        return sum(not member.device.is_fail_safe for member in self.members)

    @property
    def lost_ns(self) -> int:
        """The most machine time that one of the plants has given up."""
        return max(member.lost_ns for member in self.members)

    async def start(self, tls: ssl.SSLContext | None = None) -> None:
        """Listen everywhere, or nowhere, and start the plants; raises SoftctlError.

        The members' seats have the ports that are listened at.
        """
        require_tls(self.machine.field, tls)
        require_files(len(self.servers))
        try:
            for server, group in zip(self.servers, self.groups, strict=True):
                seat = group[0].seat
                host, port = await server.start(seat.host, seat.port, tls, self._sink)
                for member in group:
                    member.seat = replace(member.seat, host=host, port=port)
        except BaseException:
            await self.close()
            raise
        self._task = asyncio.create_task(self._run())

    async def close(self) -> None:
        """Stop the plants and the servers."""
        if self._task is not None:
            await end_task(self._task)
        await asyncio.gather(*(server.close() for server in self.servers))

    async def wait(self) -> None:
        """Return only if the plants' loop ends, with its error."""
        assert self._task is not None
        await asyncio.shield(self._task)

    def take_turn(self, member: Member, now_ns: int) -> None:
        """Step one plant up to a machine time since the start, as far as it can be."""
        plant = member.device.plant
        step_ns, due_ns = plant.step_ns, now_ns - member.lost_ns
        steps = max(0, (due_ns - plant.now_ns) // step_ns)
        late_ns = max(self.round_ns, int(LATE_WALL_NS * self.clock.speed))
        in_time = (self.round_ns + late_ns) // step_ns
        self.late_steps += max(0, steps - in_time)
        steps = min(steps, max(_MOST_STEPS, in_time))
        if steps:
            member.device.advance(plant.now_ns + steps * step_ns)
        behind_ns = due_ns - plant.now_ns
        if self.clock.is_behind(behind_ns, step_ns, _MAX_BEHIND_WALL_NS):
            member.lost_ns += behind_ns
        member.device.watch(time.monotonic_ns())

    def _server(self, group: Sequence[Member]) -> ModbusServer:
        devices = []
        for member in group:
            # Alone at its server, a device keeps the unit ids of its cards.
            alone = len(group) == 1 and len(member.device.banks) > 1
            devices += [
                answering(member.device, unit, unit if alone else member.seat.unit)
                for unit in member.device.banks
            ]
        return ModbusServer(serve(devices, self.machine.field, Faults(Random(group[0].seed))))

    async def _run(self) -> None:
        clock = self.clock
        start_ns = origin_ns = clock.now_ns()
        wakes = max(1, clock.wall_ns(self.round_ns) // _WAKE_WALL_NS)
        size = -(-len(self.members) // wakes)
        batches = [self.members[i : i + size] for i in range(0, len(self.members), size)]
        while True:
            for index, batch in enumerate(batches):
                await clock.sleep_until(start_ns + self.round_ns * index // len(batches))
                for member in batch:
                    self.take_turn(member, clock.now_ns() - origin_ns)
            # A round that took too long is not followed by a race.
            start_ns = max(start_ns + self.round_ns, clock.now_ns() - self.round_ns)
            self._tell()

    def _tell(self) -> None:
        found = (self.late_steps, self.lost_ns)
        now_ns = time.monotonic_ns()
        if found != self._told and now_ns - self._told_at_ns >= _TELL_EVERY_NS:
            self._told, self._told_at_ns = found, now_ns
            lost_s = round(found[1] / 1e9, 3)
            self._sink("plants do not keep up", late_steps=found[0], lost_s=lost_s)


def _another(device: FieldDevice, seed: int) -> FieldDevice:
    plant: Plant = device.plant.another(seed)
    return FieldDevice(device.machine, plant)


def _grouped(members: Sequence[Member]) -> list[list[Member]]:
    """The members of each server; port 0 is another free one for each port's device."""
    groups: dict[object, list[Member]] = {}
    units = {member.seat.unit for member in members}
    for index, member in enumerate(members):
        is_shared = member.seat.port != 0 or len(units) > 1
        key = (member.seat.host, member.seat.port) if is_shared else index
        groups.setdefault(key, []).append(member)
    return list(groups.values())
