"""One of a machine's register maps as somebody else's server has it, read over Modbus/TCP.

Such a server has as much of the map as its makers needed. What it answers for is found out
before anything is judged by it.
"""

from __future__ import annotations

from collections.abc import Iterator

from softctl.control.hmi import HmiMap
from softctl.image import Reader, Side, extents, field_banks, point_reader
from softctl.machine import Address, Machine, Point, Value
from softctl.modbus.blocks import Span, plan_reads
from softctl.runtime.field_client import FieldClient, RefusedError
from softctl.runtime.tls_files import ClientTls


class MapClient:
    """A mirror of one map, brought up to date by `poll`, once `survey` has found what there is.

    A field's map is only read, its outputs too.
    """

    def __init__(
        self,
        machine: Machine,
        side: Side,
        host: str,
        port: int,
        timeout_s: float = 2.0,
        tls: ClientTls | None = None,
    ) -> None:
        self.machine = machine
        self.served: frozenset[str] = frozenset()
        self._side = side
        self._map = HmiMap(machine)
        own = machine.hmi.unit if side is Side.HMI else machine.field.unit
        self._banks = {own: self._map.bank} if side is Side.HMI else field_banks(machine)
        self._client = FieldClient(host, port, own, timeout_s, tls)
        self._reads: list[tuple[int, Span]] = []

    async def close(self) -> None:
        """Drop the connection."""
        await self._client.close()

    async def survey(self) -> None:
        """Find the points that the server answers for; raises LinkError where nobody answers.

        A block that is refused is tried point by point.
        """
        self._reads, served = [], set[str]()
        for unit in self._banks:
            ranges = extents(self.machine, self._side, unit)
            points = dict(self._points(unit))
            for block in plan_reads(map(_span, points.values()), ranges):
                inside = {n: _span(a) for n, a in points.items() if _is_inside(_span(a), block)}
                if await self._answers(unit, block):
                    self._reads.append((unit, block))
                    served |= inside.keys()
                    continue
                good = {n: span for n, span in inside.items() if await self._answers(unit, span)}
                self._reads += [(unit, span) for span in plan_reads(good.values())]
                served |= good.keys()
        self.served = frozenset(served)

    async def poll(self) -> None:
        """Read all that is served; raises LinkError."""
        for unit, span in self._reads:
            memory, start, end = self._memory(unit, span)
            memory[start:end] = await self._client.read(*span, unit)

    async def put(self, name: str, value: Value) -> None:
        """Write a command or set point; raises SoftctlError for another name, LinkError."""
        self._map.put(name, value)
        address = self.machine.points[name].hmi
        assert address is not None, "only points on the map can be put"
        memory, start, end = self._memory(self.machine.hmi.unit, _span(address))
        await self._client.write(address.table, address.address, bytes(memory[start:end]))

    def reader(self, points: list[Point]) -> Reader:
        """A function that reads points of the mirror, as a program sees them."""
        banks = self._map.bank if self._side is Side.HMI else self._banks
        return point_reader(banks, self.machine, points, self._side, wired=True)

    def _points(self, unit: int) -> Iterator[tuple[str, Address]]:
        for point in self.machine.points.values():
            address = point.hmi if self._side is Side.HMI else point.field
            is_here = self._side is Side.HMI or self.machine.field_unit(point) == unit
            if address is not None and is_here:
                yield point.name, address

    async def _answers(self, unit: int, span: Span) -> bool:
        try:
            await self._client.read(*span, unit)
        except RefusedError:
            return False
        return True

    def _memory(self, unit: int, span: Span) -> tuple[bytearray, int, int]:
        table, first, count = span
        bank = self._banks[unit]
        if table.is_bits:
            return bank.bits(table), first, first + count
        return bank.registers(table), 2 * first, 2 * (first + count)


def _span(address: Address) -> Span:
    return address.table, address.address, address.count


def _is_inside(span: Span, block: Span) -> bool:
    table, first, count = block
    return span[0] is table and first <= span[1] and span[1] + span[2] <= first + count
