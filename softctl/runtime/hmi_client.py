"""A machine's HMI map read and written over Modbus/TCP, as an HMI does."""

from __future__ import annotations

from softctl.control.hmi import HmiMap
from softctl.image import Reader, Side, extents, point_reader
from softctl.machine import Machine, Point, Value
from softctl.modbus.bank import Bank
from softctl.modbus.blocks import plan_reads
from softctl.runtime.field_client import FieldClient
from softctl.runtime.tls_files import ClientTls
from softctl.values.tables import Table


class HmiClient:
    """A mirror of the HMI map of a controller, brought up to date by `poll`.

    Each block comes in one request, so values of one block are of one moment.
    """

    def __init__(
        self,
        machine: Machine,
        host: str,
        port: int,
        timeout_s: float = 2.0,
        tls: ClientTls | None = None,
    ) -> None:
        self.machine = machine
        self._mirror = HmiMap(machine)
        self._client = FieldClient(host, port, machine.hmi.unit, timeout_s, tls)
        ranges = extents(machine, Side.HMI)
        spans = [(table, *span) for table, found in ranges.items() for span in found]
        self._reads = plan_reads(spans, ranges)
        self.counts = self.reader([machine.points["SCAN_COUNT"], machine.points["OVERRUNS"]])
        """The scans that were made and those that were skipped, as read last."""

    @property
    def bank(self) -> Bank:
        """What was read last."""
        return self._mirror.bank

    async def connect(self) -> None:
        """Connect; raises LinkError where nobody answers."""
        await self._client.connect()

    async def close(self) -> None:
        """Drop the connection."""
        await self._client.close()

    async def poll(self) -> None:
        """Read the whole map; raises LinkError."""
        for table, first, count in self._reads:
            data = await self._client.read(table, first, count)
            memory, start, end = self._span(table, first, count)
            memory[start:end] = data

    async def put(self, name: str, value: Value) -> None:
        """Write a command or set point; raises SoftctlError for another name, LinkError."""
        self._mirror.put(name, value)
        address = self.machine.points[name].hmi
        assert address is not None, "only points on the map can be put"
        memory, start, end = self._span(address.table, address.address, address.count)
        await self._client.write(address.table, address.address, bytes(memory[start:end]))

    def reader(self, points: list[Point]) -> Reader:
        """A function that reads points of the mirror."""
        return point_reader(self.bank, self.machine, points, Side.HMI, wired=True)

    def _span(self, table: Table, first: int, count: int) -> tuple[bytearray, int, int]:
        if table.is_bits:
            return self.bank.bits(table), first, first + count
        return self.bank.registers(table), 2 * first, 2 * (first + count)
