"""Audits of servers that run: of I/O cards, one machine's or many, and of an HMI server."""

from __future__ import annotations

import struct
import time
from collections.abc import Callable, Iterator, Sequence

from softctl.audit import Auditor, AuditReport, Map, Part, add_up, split_by_unit
from softctl.audit.observe import KEPT_INTERVALS, StillFor
from softctl.image import Side
from softctl.machine import Machine
from softctl.modbus.clients import Client
from softctl.modbus.faults import Faults
from softctl.modbus.frames import Frame
from softctl.runtime.field_service import FieldService
from softctl.runtime.fleet_service import FleetService, Member

KEPT_OF_MANY = 256
"""Intervals that are kept of each read where there are many devices: some 10 KiB."""

_READ_INPUT_REGISTERS = 4


def still_for(faults: Faults, machine: Machine) -> StillFor:
    """For how long wire faults have held HEARTBEAT still for a client of the HMI server."""
    place = machine.points["HEARTBEAT"].hmi
    assert place is not None
    read = Frame(
        0, 0, machine.hmi.unit, struct.pack(">BHH", _READ_INPUT_REGISTERS, place.address, 1)
    )

    def find(client: Client, now_ns: int) -> int:
        return faults.frozen_for(read, client, now_ns)

    return find


class FieldAudit:
    """What clients ask of I/O cards: of one machine, or of many devices that add up."""

    def __init__(self, machine: Machine, clock: Callable[[], int] = time.monotonic_ns) -> None:
        self._machine = machine
        self._clock = clock
        self._started_ns = clock()
        self._maps = {unit: Map(machine, Side.FIELD, unit) for unit in machine.field_units}
        self._auditors: list[Auditor] = []
        self._groups: Sequence[Sequence[Member]] = ()

    def watch(self, field: FieldService) -> None:
        """Note what is asked of one machine; its unit ids are its devices."""
        field.server.observe(self._auditor(KEPT_INTERVALS))

    def watch_fleet(self, fleet: FleetService) -> None:
        """Note what is asked of each of many devices."""
        self._groups = fleet.groups
        for server in fleet.servers:
            server.observe(self._auditor(KEPT_OF_MANY))

    def report(self) -> AuditReport:
        """All of it up to now."""
        logs = [log for auditor in self._auditors for log in auditor.logs.values()]
        parts = list(self._parts())
        return add_up(self._machine, parts, logs, self._started_ns, self._clock())

    def _auditor(self, kept: int) -> Auditor:
        self._auditors.append(Auditor(self._clock, kept))
        return self._auditors[-1]

    def _parts(self) -> Iterator[Part]:
        if not self._groups:
            (auditor,) = self._auditors
            names = {unit: f"unit {unit}" if len(self._maps) > 1 else "" for unit in self._maps}
            devices = {unit: (names[unit], map_) for unit, map_ in self._maps.items()}
            yield from split_by_unit("field server", devices, list(auditor.logs.values()))
        for auditor, group in zip(self._auditors, self._groups, strict=False):
            seat = group[0].seat
            logs = list(auditor.logs.values())
            yield from split_by_unit(f"{seat.host}:{seat.port}", self._devices(group), logs)

    def _devices(self, group: Sequence[Member]) -> dict[int, tuple[str, Map]]:
        """The devices of one server by unit id; alone, one keeps the unit ids of its cards."""
        seat = group[0].seat
        if len(group) == 1 and len(self._maps) > 1:
            where = f"{seat.host}:{seat.port}"
            return {unit: (f"{where} unit {unit}", map_) for unit, map_ in self._maps.items()}
        (map_,) = self._maps.values()
        return {member.seat.unit: (str(member.seat), map_) for member in group}
