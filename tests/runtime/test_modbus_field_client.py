"""The field client against our server and against servers that answer wrongly."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress

import pytest

from softctl.modbus import Bank, Device
from softctl.modbus.frames import Frame, FrameSplitter, encode_frame
from softctl.runtime.field_client import FieldClient, LinkError
from softctl.runtime.modbus_server import ModbusServer
from softctl.values.tables import Table

pytestmark = pytest.mark.network


@asynccontextmanager
async def _field(bank: Bank) -> AsyncIterator[tuple[ModbusServer, FieldClient]]:
    server = ModbusServer(Device(bank, 3))
    host, port = await server.start()
    client = FieldClient(host, port, 3, 5.0)
    yield server, client
    await client.close()
    await server.close()


@asynccontextmanager
async def _answering(
    reply: Callable[[Frame], bytes | None], timeout_s: float = 5.0
) -> AsyncIterator[FieldClient]:
    """A server that answers each frame with whatever bytes the test wants."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        splitter = FrameSplitter()
        handlers.add(asyncio.current_task())
        while data := await reader.read(1000):
            for frame in splitter.feed(data):
                answer = reply(frame)
                if answer is None:
                    writer.close()
                else:
                    writer.write(answer)
        writer.close()
        with suppress(ConnectionError):
            await writer.wait_closed()

    handlers: set[asyncio.Task[None]] = set()
    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    host, port = server.sockets[0].getsockname()
    client = FieldClient(host, port, 1, timeout_s)
    yield client
    await client.close()
    server.close()
    await asyncio.gather(*handlers)
    await server.wait_closed()


async def test_it_reads_and_writes_what_the_bank_holds() -> None:
    """Bits come as one byte each, registers as two, at the largest block sizes too."""
    bank = Bank({table: [(0, 2000)] for table in Table})
    bank.bits(Table.DISCRETE_INPUTS)[:] = bytes(i % 3 == 0 for i in range(2000))
    bank.registers(Table.INPUT_REGISTERS)[:250] = bytes(range(250))
    async with _field(bank) as (_, client):
        inputs = await client.read(Table.DISCRETE_INPUTS, 0, 2000)
        assert inputs == bank.bits(Table.DISCRETE_INPUTS)
        assert await client.read(Table.DISCRETE_INPUTS, 3, 5) == b"\1\0\0\1\0"
        assert await client.read(Table.INPUT_REGISTERS, 0, 125) == bytes(range(250))
        coils = bytes(i % 5 == 0 for i in range(1968))
        await client.write(Table.COILS, 7, coils)
        assert bank.bits(Table.COILS)[7 : 7 + 1968] == coils
        await client.write(Table.HOLDING_REGISTERS, 9, bytes(range(246)))
        assert bank.registers(Table.HOLDING_REGISTERS)[18 : 18 + 246] == bytes(range(246))


async def test_requests_in_parallel_share_one_connection() -> None:
    """Callers wait for each other; each gets its own answer."""
    bank = Bank({Table.INPUT_REGISTERS: [(0, 50)]})
    bank.registers(Table.INPUT_REGISTERS)[:] = bytes(range(100))
    async with _field(bank) as (server, client):
        reads = [client.read(Table.INPUT_REGISTERS, i, 1) for i in range(50)]
        assert b"".join(await asyncio.gather(*reads)) == bytes(range(100))
        assert server.connections == 1


async def test_it_reconnects_on_demand() -> None:
    """A lost connection is an error once and a new connection the next time."""
    bank = Bank({Table.COILS: [(0, 8)]})
    async with _field(bank) as (server, client):
        await client.connect()
        assert client.connected
        host, port = client._host, client._port
        await server.close()
        with pytest.raises(LinkError):
            await client.read(Table.COILS, 0, 8)
        assert not client.connected
        with pytest.raises(LinkError, match="got no connection"):
            await client.connect()
        await server.start(host, port)
        assert await client.read(Table.COILS, 0, 8) == bytes(8)


async def test_an_exception_code_is_an_error_that_keeps_the_connection() -> None:
    """The device answered, so the link is sound; the message names the code."""
    async with _field(Bank({Table.COILS: [(0, 8)]})) as (_, client):
        with pytest.raises(LinkError, match="read 9 coils from 0, got exception 02"):
            await client.read(Table.COILS, 0, 9)
        assert client.connected


def _echo(frame: Frame, pdu: str, transaction: int | None = None) -> bytes:
    return encode_frame(
        frame.transaction if transaction is None else transaction, frame.unit, bytes.fromhex(pdu)
    )


@pytest.mark.parametrize(
    ("pdu", "got"),
    [
        ("04 02 0001", "a reply with 1 registers"),
        ("04 06 0001 0002 0003", "a reply with 3 registers"),
        ("03 04 0001 0002", "a reply with function 03"),
        ("04 04 0001", "a reply with function 00"),  # cut short: cannot be decoded
        ("83 02", "a reply with function 83"),
        ("63 00", "a reply with function 00"),  # no such function: cannot be decoded
    ],
)
async def test_a_wrong_reply_is_an_error_that_drops_the_connection(pdu: str, got: str) -> None:
    """Wrong function, wrong count or nonsense never becomes data."""
    async with _answering(lambda frame: _echo(frame, pdu)) as client:
        with pytest.raises(LinkError, match=f"read 2 input registers from 0, got {got}"):
            await client.read(Table.INPUT_REGISTERS, 0, 2)
        assert not client.connected


async def test_a_reply_with_too_few_bits_is_an_error() -> None:
    """Bytes of bits must be as many as the quantity needs."""
    async with _answering(lambda frame: _echo(frame, "02 01 FF")) as client:
        with pytest.raises(LinkError, match="got a reply with 8 bits"):
            await client.read(Table.DISCRETE_INPUTS, 0, 9)


async def test_a_write_that_confirms_another_range_is_an_error() -> None:
    """The echoed address and quantity are checked."""
    async with _answering(lambda frame: _echo(frame, "0F 0000 0003")) as client:
        with pytest.raises(LinkError, match="got the reply confirms 3 from 0"):
            await client.write(Table.COILS, 0, bytes(4))


async def test_a_reply_without_a_transaction_is_an_error() -> None:
    """pymodbus takes transaction 0 for any; here it is not an answer to this request."""
    async with _answering(lambda frame: _echo(frame, "04 02 0001", 0)) as client:
        with pytest.raises(LinkError, match="a reply to transaction 0"):
            await client.read(Table.INPUT_REGISTERS, 0, 1)


async def test_an_answer_to_an_old_question_is_discarded() -> None:
    """The guide (V1.0b, 4.4.1): an unknown transaction id is discarded, the right one counts."""

    def reply(frame: Frame) -> bytes:
        stale = _echo(frame, "04 02 DEAD", frame.transaction + 1)
        return stale + _echo(frame, "04 02 BEEF")

    async with _answering(reply) as client:
        assert await client.read(Table.INPUT_REGISTERS, 0, 1) == b"\xbe\xef"


async def test_silence_is_an_error_after_the_timeout() -> None:
    """No reply in time drops the connection, so a late one cannot be mistaken."""
    async with _answering(lambda frame: b"", timeout_s=0.02) as client:
        with pytest.raises(LinkError, match=r"got no reply within 0\.02 s"):
            await client.read(Table.COILS, 0, 1)
        assert not client.connected


async def test_only_writable_tables_and_whole_registers_are_written() -> None:
    """Nothing is sent for a table that has no write function or half a register."""
    client = FieldClient("127.0.0.1", 9, 1, 0.01)
    with pytest.raises(ValueError, match="expected whole coils or holding registers"):
        await client.write(Table.INPUT_REGISTERS, 0, bytes(2))
    with pytest.raises(ValueError, match="expected whole coils or holding registers"):
        await client.write(Table.HOLDING_REGISTERS, 0, bytes(3))
