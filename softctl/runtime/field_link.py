"""The controller's side of the field link: blocks in, blocks out, health, reconnection."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Mapping, Sequence
from typing import TypeVar

from softctl.image import Side, extents
from softctl.machine import Machine
from softctl.modbus.bank import Bank
from softctl.modbus.blocks import Span, plan_reads, plan_writes
from softctl.runtime.events import EventSink, ignore
from softctl.runtime.field_client import FieldClient, LinkError
from softctl.runtime.tasks import end_task
from softctl.runtime.tls_files import ClientTls
from softctl.values.tables import Table

_INPUTS = (Table.DISCRETE_INPUTS, Table.INPUT_REGISTERS)
_OUTPUTS = (Table.COILS, Table.HOLDING_REGISTERS)
T = TypeVar("T")

_RETRY_S = (0.05, 0.1, 0.2, 0.5, 1.0)


class FieldLink:
    """Keeps `banks`, the controller's mirrors of the I/O cards, in step with the cards.

    There is a bank for each unit id of the field, and one connection for all of them.

    The link is healthy while the last complete exchange is younger than the machine's
    `fail_safe_after_ns`, in wall time. No scan waits longer than that for a field which is
    dead, or slow in every single answer:

    1. A request waits at most half of it, and none beyond the end of the link's health.
    2. Of a link that failed, or is not healthy, a task of its own takes care: it connects
       and makes one whole exchange. Until that is done, scans do not wait at all.
    """

    def __init__(
        self,
        machine: Machine,
        banks: Mapping[int, Bank],
        host: str,
        port: int,
        sink: EventSink = ignore,
        tls: ClientTls | None = None,
    ) -> None:
        timeout_s = machine.fail_safe_after_ns / 2e9
        self._client = FieldClient(host, port, machine.field.unit, timeout_s, tls)
        self._where = f"{host}:{port}"
        self._banks = banks
        self._sink = sink
        self._limit_ns = machine.fail_safe_after_ns
        self._reads: list[tuple[int, Span]] = []
        self._writes: list[tuple[int, Span]] = []
        for unit in machine.field_units:
            ranges = extents(machine, Side.FIELD, unit)
            reads = plan_reads(_cards(ranges, _INPUTS), ranges)
            writes = plan_writes(_cards(ranges, _OUTPUTS), ranges)
            self._reads += [(unit, span) for span in reads]
            self._writes += [(unit, span) for span in writes]
        self._good_at_ns: int | None = None
        self._is_up = False
        self._said_healthy = False
        self._said_reason = ""
        self._mending: asyncio.Task[None] | None = None

    @property
    def healthy(self) -> bool:
        """Whether the last complete exchange is recent enough to be trusted."""
        healthy = time.monotonic_ns() < self._healthy_until_ns()
        if healthy is not self._said_healthy:
            self._said_healthy = healthy
            self._said_reason = ""
            self._sink("field link healthy" if healthy else "field link lost", field=self._where)
        return healthy

    async def read_inputs(self) -> bool:
        """Fill the mirror's input tables; False when nothing (complete) came."""
        if not self._is_up or time.monotonic_ns() >= self._healthy_until_ns():
            self._start_mending()
            return False
        try:
            await self._read(self._healthy_until_ns())
        except LinkError as error:
            self._fail(error)
            return False
        return True

    async def write_outputs(self) -> None:
        """Send the mirror's output tables; a failure shows in `healthy` and the next read."""
        if not self._is_up:
            return
        try:
            await self._write(self._healthy_until_ns())
        except LinkError as error:
            self._fail(error)
        else:
            self._good_at_ns = time.monotonic_ns()

    async def write_last(self) -> None:
        """Send the output tables once more before the end, with the time of a whole exchange."""
        if self._is_up:
            try:
                await self._write(time.monotonic_ns() + self._limit_ns)
            except LinkError as error:
                self._complain("field request failed", error)

    def abandon(self) -> None:
        """Take the connection away at once, from another thread; the cards go fail-safe."""
        self._client.abandon()

    async def close(self) -> None:
        """Close the connection and stop trying."""
        self._is_up = False
        if self._mending is not None:
            await end_task(self._mending)
        await self._client.close()

    def _healthy_until_ns(self) -> int:
        """When the last complete exchange is, or was, too old to be trusted; 0 for none."""
        return 0 if self._good_at_ns is None else self._good_at_ns + self._limit_ns

    async def _read(self, deadline_ns: int) -> None:
        for unit, span in self._reads:
            data = await self._in_time(self._client.read(*span, unit), deadline_ns)
            memory, start, end = self._memory(unit, span)
            memory[start:end] = data

    async def _write(self, deadline_ns: int) -> None:
        for unit, span in self._writes:
            memory, start, end = self._memory(unit, span)
            data = bytes(memory[start:end])
            await self._in_time(self._client.write(span[0], span[1], data, unit), deadline_ns)

    async def _in_time(self, request: Awaitable[T], deadline_ns: int) -> T:
        """The request's result within what is left of the exchange's time, or LinkError."""
        try:
            async with asyncio.timeout((deadline_ns - time.monotonic_ns()) / 1e9):
                return await request
        except TimeoutError:
            limit_s = self._limit_ns / 1e9
            raise LinkError(
                f"expected {self._where} to do all requests of a scan within {limit_s:g} s, "
                "got answers that are too slow"
            ) from None

    def _memory(self, unit: int, span: Span) -> tuple[bytearray, int, int]:
        table, first, count = span
        bank = self._banks[unit]
        if table.is_bits:
            return bank.bits(table), first, first + count
        return bank.registers(table), 2 * first, 2 * (first + count)

    def _fail(self, error: LinkError) -> None:
        self._complain("field request failed", error)
        self._start_mending()

    def _complain(self, event: str, error: LinkError) -> None:
        """Say what is wrong, and the same thing once until the link was healthy again."""
        if str(error) != self._said_reason:
            self._said_reason = str(error)
            self._sink(event, field=self._where, reason=self._said_reason)

    def _start_mending(self) -> None:
        self._is_up = False
        if self._mending is None or self._mending.done():
            self._mending = asyncio.create_task(self._mend())

    async def _mend(self) -> None:
        """Connect and make one exchange, again and again until one is complete in time.

        What it writes is what the last scan left in the mirror: without a healthy link those
        are the fail-safe values.
        """
        attempt = 0
        while True:
            await self._client.close()
            try:
                await self._client.connect()
                deadline_ns = time.monotonic_ns() + self._limit_ns
                await self._read(deadline_ns)
                await self._write(deadline_ns)
            except LinkError as error:
                self._complain("field not reached", error)
                await asyncio.sleep(_RETRY_S[min(attempt, len(_RETRY_S) - 1)])
                attempt += 1
            else:
                self._good_at_ns = time.monotonic_ns()
                self._is_up = True
                return


def _cards(
    ranges: Mapping[Table, Sequence[tuple[int, int]]], tables: Sequence[Table]
) -> list[Span]:
    return [(table, first, count) for table in tables for first, count in ranges.get(table, ())]
