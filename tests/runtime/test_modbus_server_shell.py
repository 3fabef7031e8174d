"""The Modbus/TCP server over real loopback sockets."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import suppress

import pytest
from pyModbusTCP.client import ModbusClient

from softctl.errors import SoftctlError
from softctl.modbus import Bank, Device, Server
from softctl.modbus.frames import encode_frame
from softctl.modbus.server import Close, Connection, Send
from softctl.runtime.modbus_server import KEEPALIVE, ModbusServer
from softctl.values.tables import Table

pytestmark = pytest.mark.network

READ = encode_frame(1, 1, bytes.fromhex("03 0000 0002"))
REPLY = encode_frame(1, 1, bytes.fromhex("03 04 1234 5678"))


def _device() -> Device:
    bank = Bank({table: [(0, 2000)] for table in Table})
    bank.registers(Table.HOLDING_REGISTERS)[0:4] = bytes.fromhex("12345678")
    return Device(bank)


@pytest.fixture
async def served() -> AsyncIterator[tuple[ModbusServer, str, int]]:
    server = ModbusServer(_device())
    host, port = await server.start()
    yield server, host, port
    await server.close()


async def _eventually(condition) -> None:
    """Let the loop run until the server has seen what the client did."""
    async with asyncio.timeout(5):
        while not condition():
            await asyncio.sleep(0)


async def _end(writer: asyncio.StreamWriter) -> None:
    writer.close()
    with suppress(ConnectionError):
        await writer.wait_closed()


async def test_one_write_answers_all_that_one_receive_brought(served) -> None:
    """64 requests in one segment get 64 replies, in order, on a split stream too."""
    _, host, port = served
    reader, writer = await asyncio.open_connection(host, port)
    writer.write(b"".join(encode_frame(i, 1, READ[7:]) for i in range(64)) + READ[:3])
    expected = b"".join(encode_frame(i, 1, REPLY[7:]) for i in range(64))
    assert await reader.readexactly(len(expected)) == expected
    writer.write(READ[3:])
    assert await reader.readexactly(len(REPLY)) == REPLY
    await _end(writer)


async def test_connections_are_counted(served) -> None:
    """The count rises with each connection and falls when one is gone."""
    server, host, port = served
    assert server.connections == 0
    pairs = [await asyncio.open_connection(host, port) for _ in range(3)]
    await _eventually(lambda: server.connections == 3)
    name = "{}:{}".format(*pairs[0][1].get_extra_info("sockname")[:2])
    assert name in {client.name for client in server.clients}
    for _, writer in pairs:
        await _end(writer)
    await _eventually(lambda: server.connections == 0)


async def test_a_client_that_is_gone_without_a_word_is_probed(served) -> None:
    """Small replies go at once, and a half-open connection ends in minutes, not in hours.

    The guide recommends both options (Messaging on TCP/IP V1.0b, section 4.3.2).
    """
    server, host, port = served
    _, writer = await asyncio.open_connection(host, port)
    await _eventually(lambda: server.connections == 1)
    (protocol,) = server._protocols.values()
    sock = protocol._transport.get_extra_info("socket")
    assert sock.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
    assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    for name, value in KEEPALIVE.items():
        if hasattr(socket, name):
            assert sock.getsockopt(socket.IPPROTO_TCP, getattr(socket, name)) == value
    await _end(writer)


async def test_a_client_that_closes_its_side_still_gets_its_answers(served) -> None:
    """Half-close after the request: the reply comes, then the end of the stream."""
    _, host, port = served
    reader, writer = await asyncio.open_connection(host, port)
    writer.write(READ)
    writer.write_eof()
    assert await reader.read() == REPLY
    await _end(writer)


async def test_close_ends_every_connection(served) -> None:
    """After `close` clients read the end of the stream and nobody can connect."""
    server, host, port = served
    reader, writer = await asyncio.open_connection(host, port)
    await _eventually(lambda: server.connections == 1)
    await server.close()
    assert await reader.read() == b""
    assert server.connections == 0
    await _end(writer)
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection(host, port)


async def test_a_port_in_use_is_a_clear_error(served) -> None:
    """The error names the address and the cause."""
    _, host, port = served
    with pytest.raises(SoftctlError, match=f"got {host}:{port}: "):
        await ModbusServer(_device()).start(host, port)


async def test_a_restart_can_take_the_same_port_at_once() -> None:
    """The guide (V1.0b, 4.3.2) recommends SO_REUSEADDR: a closed connection blocks no port."""
    first = ModbusServer(_device())
    host, port = await first.start()
    reader, writer = await asyncio.open_connection(host, port)
    await _eventually(lambda: first.connections == 1)
    await first.close()  # the server closes first, so its side stays in TIME-WAIT
    assert await reader.read() == b""
    await _end(writer)
    second = ModbusServer(_device())
    assert await second.start(host, port) == (host, port)
    await second.close()


async def test_lost_framing_closes_the_connection(served) -> None:
    """After a header that cannot be, the answers due are sent and the stream ends."""
    _, host, port = served
    reader, writer = await asyncio.open_connection(host, port)
    writer.write(READ + encode_frame(2, 1, READ[7:], length=0) + READ)
    assert await reader.read() == REPLY
    await _end(writer)


async def test_a_client_that_takes_no_answers_is_not_read_from(served) -> None:
    """Back-pressure: its requests wait in its own socket; another client is served."""
    server, host, port = served
    loop = asyncio.get_running_loop()
    greedy = socket.create_connection((host, port))
    greedy.setblocking(False)
    request = encode_frame(1, 1, bytes.fromhex("03 0000 007D")) * 1000
    await _eventually(lambda: server.connections == 1)
    (protocol,) = server._protocols.values()
    async with asyncio.timeout(10):
        while protocol._transport.is_reading():
            try:
                greedy.send(request)
            except BlockingIOError:
                await asyncio.sleep(0)
            await asyncio.sleep(0)
    assert protocol._transport.get_write_buffer_size() < 4 * 65_536
    reader, writer = await asyncio.open_connection(host, port)
    writer.write(READ)
    assert await reader.readexactly(len(REPLY)) == REPLY
    await _end(writer)
    async with asyncio.timeout(10):
        while not protocol._transport.is_reading():
            await loop.sock_recv(greedy, 1 << 20)
    greedy.close()


class _Script(Server):
    """Answers every receive with the actions a test has laid down."""

    def __init__(self, *steps) -> None:
        super().__init__([_device()])
        self.steps = steps

    def connect(self, client):
        script = self

        class Scripted(Connection):
            def receive_any(self, data: bytes, now_ns: int):
                return [
                    step._replace(at_ns=now_ns + step.at_ns)
                    for step in (script.steps if data == b"?" else ())
                ]

        return Scripted(self, client)


class _Clock:
    """Time passes only when the test says so."""

    def __init__(self) -> None:
        self.now_ns = 0

    def __call__(self) -> int:
        return self.now_ns


async def _scripted(
    *steps, clock
) -> tuple[ModbusServer, asyncio.StreamReader, asyncio.StreamWriter]:
    server = ModbusServer(_Script(*steps), clock_ns=clock)
    host, port = await server.start()
    reader, writer = await asyncio.open_connection(host, port)
    writer.write(b"?")
    await _eventually(lambda: server.connections == 1)
    return server, reader, writer


async def test_delayed_actions_keep_their_order_and_wait_for_their_time() -> None:
    """A later action never overtakes an earlier one, even when its own time has come."""
    clock = _Clock()
    server, reader, writer = await _scripted(
        Send(0, b"now"), Send(1_000_000, b"later"), Send(0, b"last"), Close(0), clock=clock
    )
    assert await reader.readexactly(3) == b"now"
    (protocol,) = server._protocols.values()
    assert [step.data for step in list(protocol._queue)[:2]] == [b"later", b"last"]
    clock.now_ns = 1_000_000
    assert await reader.read() == b"laterlast"
    await _end(writer)
    await server.close()


async def test_an_aborting_close_is_a_reset() -> None:
    """The client sees a connection reset, not an orderly end."""
    server, reader, writer = await _scripted(Close(0, abort=True), clock=_Clock())
    with pytest.raises(ConnectionResetError):
        await reader.read()
    await _end(writer)
    await server.close()


async def test_an_independent_client_reads_and_writes(served) -> None:
    """pyModbusTCP sees what it writes, in all four tables."""
    server, host, port = served

    def use() -> None:
        client = ModbusClient(host=host, port=port, unit_id=1, timeout=5)
        assert client.open()
        assert client.read_holding_registers(0, 2) == [0x1234, 0x5678]
        assert client.write_multiple_coils(3, [True, False, True])
        assert client.write_single_coil(9, True)
        assert client.read_coils(0, 10) == [bool(int(c)) for c in "0001010001"]
        assert client.write_multiple_registers(100, list(range(123)))
        assert client.read_holding_registers(100, 123) == list(range(123))
        assert client.write_read_multiple_registers(5, [7, 8], 4, 4) == [0, 7, 8, 0]
        assert client.read_discrete_inputs(0, 2000) == [False] * 2000
        assert client.read_input_registers(0, 125) == [0] * 125
        assert client.read_input_registers(1999, 2) is None
        assert client.last_except == 2
        client.close()

    await asyncio.to_thread(use)
    await _eventually(lambda: server.connections == 0)
