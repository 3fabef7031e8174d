"""The controller's side of the field link: blocks in, blocks out, health, reconnection."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping, Sequence

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
_RETRY_S = (0.05, 0.1, 0.2, 0.5, 1.0)


class FieldLink:
    """Keeps `bank`, the controller's mirror of the I/O cards, in step with the cards.

    The link is healthy while the last complete exchange is younger than the machine's
    `fail_safe_after_ns`, in wall time. Requests never wait longer than half of that, and
    a lost connection is mended by a task of its own, so a scan never waits for it.
    """

    def __init__(
        self,
        machine: Machine,
        bank: Bank,
        host: str,
        port: int,
        sink: EventSink = ignore,
        tls: ClientTls | None = None,
    ) -> None:
        timeout_s = machine.fail_safe_after_ns / 2e9
        self._client = FieldClient(host, port, machine.field.unit, timeout_s, tls)
        self._where = f"{host}:{port}"
        self._bank = bank
        self._sink = sink
        self._limit_ns = machine.fail_safe_after_ns
        ranges = extents(machine, Side.FIELD)
        self._reads = plan_reads(_cards(ranges, _INPUTS), ranges)
        self._writes = plan_writes(_cards(ranges, _OUTPUTS), ranges)
        self._good_at_ns: int | None = None
        self._connected = False
        self._said_healthy = False
        self._said_reason = ""
        self._connecting: asyncio.Task[None] | None = None

    @property
    def healthy(self) -> bool:
        """Whether the last complete exchange is recent enough to be trusted."""
        good = self._good_at_ns
        healthy = good is not None and time.monotonic_ns() - good < self._limit_ns
        if healthy is not self._said_healthy:
            self._said_healthy = healthy
            self._said_reason = ""
            self._sink("field link healthy" if healthy else "field link lost", field=self._where)
        return healthy

    async def read_inputs(self) -> bool:
        """Fill the mirror's input tables; False when nothing (complete) came."""
        if not self._connected:
            self._start_connecting()
            return False
        try:
            for table, first, count in self._reads:
                data = await self._client.read(table, first, count)
                memory, start, end = self._span(table, first, count)
                memory[start:end] = data
        except LinkError as error:
            self._fail(error)
            return False
        return True

    async def write_outputs(self) -> None:
        """Send the mirror's output tables; a failure shows in `healthy` and the next read."""
        if not self._connected:
            return
        try:
            for table, first, count in self._writes:
                memory, start, end = self._span(table, first, count)
                await self._client.write(table, first, bytes(memory[start:end]))
        except LinkError as error:
            self._fail(error)
        else:
            self._good_at_ns = time.monotonic_ns()

    async def close(self) -> None:
        """Close the connection and stop trying."""
        self._connected = False
        if self._connecting is not None:
            await end_task(self._connecting)
        await self._client.close()

    def _span(self, table: Table, first: int, count: int) -> tuple[bytearray, int, int]:
        if table.is_bits:
            return self._bank.bits(table), first, first + count
        return self._bank.registers(table), 2 * first, 2 * (first + count)

    def _fail(self, error: LinkError) -> None:
        self._connected = False
        self._complain("field request failed", error)
        self._start_connecting()

    def _complain(self, event: str, error: LinkError) -> None:
        """Say what is wrong, and the same thing once until the link was healthy again."""
        if str(error) != self._said_reason:
            self._said_reason = str(error)
            self._sink(event, field=self._where, reason=self._said_reason)

    def _start_connecting(self) -> None:
        if self._connecting is None or self._connecting.done():
            self._connecting = asyncio.create_task(self._connect())

    async def _connect(self) -> None:
        await self._client.close()
        attempt = 0
        while True:
            try:
                await self._client.connect()
            except LinkError as error:
                self._complain("field connection failed", error)
                await asyncio.sleep(_RETRY_S[min(attempt, len(_RETRY_S) - 1)])
                attempt += 1
            else:
                self._connected = True
                return


def _cards(
    ranges: Mapping[Table, Sequence[tuple[int, int]]], tables: Sequence[Table]
) -> list[Span]:
    return [(table, first, count) for table in tables for first, count in ranges.get(table, ())]
