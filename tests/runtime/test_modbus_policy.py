"""The connection policy over real loopback sockets."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager, suppress

import pytest

from softctl.modbus import Bank, Device, Policy, Server, WhenFull
from softctl.modbus.clients import parse_networks
from softctl.modbus.frames import encode_frame
from softctl.runtime.modbus_server import ModbusServer
from softctl.values.tables import Table

pytestmark = pytest.mark.network

READ = encode_frame(1, 1, bytes.fromhex("03 0000 0001"))
REPLY = encode_frame(1, 1, bytes.fromhex("03 02 0000"))


@asynccontextmanager
async def _serving(policy: Policy, clock_ns: Callable[[], int]) -> AsyncIterator[ModbusServer]:
    device = Device(Bank({Table.HOLDING_REGISTERS: [(0, 8)]}))
    server = ModbusServer(Server([device], policy=policy), clock_ns=clock_ns)
    yield server
    await server.close()


@asynccontextmanager
async def _connection(host: str, port: int):
    reader, writer = await asyncio.open_connection(host, port)
    yield reader, writer
    writer.close()
    with suppress(ConnectionError):
        await writer.wait_closed()


async def _ask(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bytes:
    """The reply, or nothing when the server has ended the connection."""
    try:
        writer.write(READ)
        return await reader.readexactly(len(REPLY))
    except (ConnectionError, asyncio.IncompleteReadError):
        return b""


class _Clock:
    """Each look is one nanosecond after the last."""

    def __init__(self) -> None:
        self.now_ns = 0

    def __call__(self) -> int:
        self.now_ns += 1
        return self.now_ns


async def test_the_oldest_idle_connection_makes_room() -> None:
    """The one used last stays, the idle one is closed, the new one is served."""
    async with _serving(Policy(max_connections=2), _Clock()) as server, AsyncExitStack() as stack:
        where = await server.start()
        first = await stack.enter_async_context(_connection(*where))
        assert await _ask(*first) == REPLY
        second = await stack.enter_async_context(_connection(*where))
        assert await _ask(*second) == REPLY
        assert await _ask(*first) == REPLY
        third = await stack.enter_async_context(_connection(*where))
        assert await _ask(*third) == REPLY
        assert await _ask(*second) == b""
        assert await _ask(*first) == REPLY
        assert server.connections == 2


async def test_a_full_server_can_refuse_instead() -> None:
    """The new connection ends at once and those before it live on."""
    policy = Policy(max_connections=1, when_full=WhenFull.REFUSE)
    async with _serving(policy, _Clock()) as server, AsyncExitStack() as stack:
        where = await server.start()
        first = await stack.enter_async_context(_connection(*where))
        assert await _ask(*first) == REPLY
        second = await stack.enter_async_context(_connection(*where))
        assert await _ask(*second) == b""
        assert await _ask(*first) == REPLY


async def test_a_network_that_is_not_allowed_is_turned_away() -> None:
    """Loopback is not in the list, so nothing is answered."""
    policy = Policy(allowed=parse_networks(["192.0.2.0/24"]))
    async with _serving(policy, _Clock()) as server:
        async with _connection(*await server.start()) as streams:
            assert await _ask(*streams) == b""
        assert server.connections == 0


async def test_an_idle_connection_is_closed() -> None:
    """The client reads the end of the stream once its idle time is over."""
    clock = _Clock()
    async with (
        _serving(Policy(idle_timeout_ns=1_000_000), clock) as server,
        _connection(*await server.start()) as (reader, writer),
    ):
        assert await _ask(reader, writer) == REPLY
        clock.now_ns += 1_000_000
        assert await reader.read() == b""
