"""The controller's Modbus/TCP client; the only module that imports pymodbus.

pymodbus accepts a reply of the wrong function or length and a reply without a
transaction id, and raises from inside its protocol for one that it cannot decode. So
every reply is checked here, and after anything doubtful the connection is dropped: a
fresh one cannot deliver a late answer to an old question.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import socket
from collections.abc import Awaitable, Callable
from struct import error as struct_error
from struct import pack, unpack
from typing import Any, Final, NoReturn

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.framer.socket import FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.transport import ModbusProtocol

from softctl.errors import SoftctlError
from softctl.runtime.tls_errors import explain_tls_error
from softctl.runtime.tls_files import ClientTls
from softctl.values.tables import Table

# Every failure is raised as a LinkError, so pymodbus's own account of it would only reach
# a user's terminal twice. A program that configures logging still gets it.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())


HANDSHAKE_TIMEOUT_S: Final = 3.0
"""A handshake is rare and computes much, a reply is neither."""


class LinkError(SoftctlError):
    """The field did not do what it was asked: no connection, no reply, or a wrong one."""


class RefusedError(LinkError):
    """The field answered with an exception code."""


class FieldClient:
    """One connection to one device; requests are sent one after the other.

    Args:
        host, port: where the device listens.
        unit: its unit id, 0..255.
        timeout_s: how long to wait for a connection and for each reply.
        tls: how to speak Modbus/TCP Security, None for Modbus/TCP in the clear. A
            handshake may take longer than a reply.
    """

    def __init__(
        self, host: str, port: int, unit: int, timeout_s: float, tls: ClientTls | None = None
    ) -> None:
        self._host = host
        self._port = port
        self._unit = unit
        self._timeout_s = timeout_s
        self._tls = tls
        self._trouble = ""
        self._lock = asyncio.Lock()
        self._client: AsyncModbusTcpClient | None = None
        self._socket: Any = None

    @property
    def connected(self) -> bool:
        """True while a connection stands, as far as this side knows."""
        return self._client is not None and self._client.connected

    async def connect(self) -> None:
        """Connect unless connected; `read` and `write` do so on their own.

        Raises:
            LinkError: nobody answers there.
        """
        async with self._lock:
            await self._connect()

    async def close(self) -> None:
        """Drop the connection; the next request makes a new one."""
        async with self._lock:
            self._drop()
            await asyncio.sleep(0)  # the transport closes its socket on the next turn

    def abandon(self) -> None:
        """Take the connection away at once; from any thread, while the event loop hangs."""
        if self._socket is None:
            return
        with contextlib.suppress(OSError):
            copy = socket.socket(fileno=os.dup(self._socket.fileno()))
            with copy:
                copy.shutdown(socket.SHUT_RDWR)

    async def read(self, table: Table, address: int, count: int, unit: int | None = None) -> bytes:
        """Read `count` bits (one byte each) or registers (two bytes each, big-endian).

        Args:
            address: the first wire address, 0..65535.
            count: 1..2000 bits or 1..125 registers.
            unit: another unit id behind the same connection, 0..255.

        Raises:
            LinkError: no connection, no reply in time, an exception code or a wrong reply.
        """
        what = f"read {count} {table.value} from {address}{_at(unit)}"
        asked = self._unit if unit is None else unit
        async with self._lock:
            reply = await self._ask(
                what,
                table.read_function,
                lambda client: _reader(client, table)(address, count=count, device_id=asked),
            )
            return (
                self._bits(reply, count, what) if table.is_bits else self._words(reply, count, what)
            )

    async def write(self, table: Table, address: int, data: bytes, unit: int | None = None) -> None:
        """Write bits (one byte each) or registers (two bytes each, big-endian).

        Args:
            table: coils or holding registers.
            address: the first wire address, 0..65535.
            data: 1..1968 bits or 1..123 registers.
            unit: another unit id behind the same connection, 0..255.

        Raises:
            LinkError: as for `read`.
            ValueError: the table cannot be written or the data has half a register.
        """
        if not table.is_writable or (len(data) % 2 and not table.is_bits):
            raise ValueError(f"expected whole coils or holding registers, got {table.value}")
        count = len(data) if table.is_bits else len(data) // 2
        what = f"write {count} {table.value} from {address}{_at(unit)}"
        asked = self._unit if unit is None else unit
        function = 15 if table.is_bits else 16
        async with self._lock:
            reply = await self._ask(
                what, function, lambda client: _write(client, table, address, data, asked)
            )
            if (reply.address, reply.count) != (address, count):
                self._fail(what, f"the reply confirms {reply.count} from {reply.address}")

    async def _connect(self) -> AsyncModbusTcpClient:
        if self._client is not None and self._client.connected:
            return self._client
        self._drop()
        client = AsyncModbusTcpClient(
            self._host,
            port=self._port,
            timeout=self._timeout_s,
            retries=0,
            reconnect_delay=0,
        )
        client.ctx.framer = _Framer(DecodePDU(False))
        self._trouble = ""
        is_connected = await (client.connect() if self._tls is None else self._secure(client))
        if not is_connected:
            got = f"no connection: {self._trouble}" if self._trouble else "no connection"
            raise LinkError(f"expected a Modbus/TCP server at {self._host}:{self._port}, got {got}")
        self._client = client
        self._socket = client.ctx.transport.get_extra_info("socket")
        return client

    async def _secure(self, client: AsyncModbusTcpClient) -> bool:
        """Connect with TLS; pymodbus's own way knows no server name and drops the reason."""
        protocol, lost = client.ctx, client.ctx.callback_disconnected
        protocol.call_create = lambda: self._shake_hands(protocol)

        def note_loss(error: Exception | None) -> None:
            # With TLS 1.3 a server refuses a certificate after this side's handshake.
            if error is not None:
                self._trouble = explain_tls_error(error)
            lost(error)

        protocol.callback_disconnected = note_loss  # type: ignore[method-assign,assignment]
        protocol.comm_params.timeout_connect = max(self._timeout_s, HANDSHAKE_TIMEOUT_S)
        is_connected: bool = await client.connect()
        protocol.comm_params.timeout_connect = self._timeout_s
        return is_connected

    async def _shake_hands(self, protocol: ModbusProtocol) -> tuple[Any, Any]:
        assert self._tls is not None
        try:
            return await asyncio.get_running_loop().create_connection(
                protocol.handle_new_connection,
                self._host,
                self._port,
                ssl=self._tls.context,
                server_hostname=self._tls.server_name or self._host,
            )
        except OSError as error:
            self._trouble = explain_tls_error(error)
            raise

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = self._socket = None

    async def _ask(
        self,
        what: str,
        function: int,
        send: Callable[[AsyncModbusTcpClient], Awaitable[ModbusPDU]],
    ) -> ModbusPDU:
        client = await self._connect()
        try:
            reply = await send(client)
        except ModbusException as error:
            self._fail(what, self._trouble or f"no reply within {self._timeout_s:g} s", error)
        except OSError as error:
            self._fail(what, error.strerror or type(error).__name__, error)
        except RuntimeError as error:
            # uvloop's word for a write to a connection that the other end has just closed.
            self._fail(what, "a closed connection", error)
        except asyncio.CancelledError:
            self._drop()
            raise
        if reply.transaction_id != client.ctx.next_tid:
            self._fail(what, f"a reply to transaction {reply.transaction_id}")
        if reply.function_code == function | 0x80:
            raise RefusedError(
                f"expected {self._host}:{self._port} to {what}, "
                f"got exception {reply.exception_code:02X}"
            )
        if reply.function_code != function:
            self._fail(what, f"a reply with function {reply.function_code:02X}")
        return reply

    def _bits(self, reply: ModbusPDU, count: int, what: str) -> bytes:
        if len(reply.bits) != (count + 7) // 8 * 8:
            self._fail(what, f"a reply with {len(reply.bits)} bits")
        return bytes(reply.bits[:count])

    def _words(self, reply: ModbusPDU, count: int, what: str) -> bytes:
        if len(reply.registers) != count:
            self._fail(what, f"a reply with {len(reply.registers)} registers")
        return pack(f">{count}H", *reply.registers)

    def _fail(self, what: str, got: str, cause: Exception | None = None) -> NoReturn:
        self._drop()
        raise LinkError(f"expected {self._host}:{self._port} to {what}, got {got}") from cause


def _at(unit: int | None) -> str:
    return "" if unit is None else f" at unit {unit}"


def _reader(client: AsyncModbusTcpClient, table: Table) -> Callable[..., Awaitable[ModbusPDU]]:
    return {
        Table.COILS: client.read_coils,
        Table.DISCRETE_INPUTS: client.read_discrete_inputs,
        Table.HOLDING_REGISTERS: client.read_holding_registers,
        Table.INPUT_REGISTERS: client.read_input_registers,
    }[table]


def _write(
    client: AsyncModbusTcpClient, table: Table, address: int, data: bytes, unit: int
) -> Awaitable[ModbusPDU]:
    if table.is_bits:
        return client.write_coils(address, [bool(bit) for bit in data], device_id=unit)
    words = list(unpack(f">{len(data) // 2}H", data))
    return client.write_registers(address, words, device_id=unit)


class _Undecodable(ModbusPDU):
    """Stands in for a reply that pymodbus cannot decode; no function has code 0."""


class _Framer(FramerSocket):
    """Turns what pymodbus would raise from inside its protocol into a reply to judge."""

    def handleFrame(  # noqa: N802 - pymodbus's name
        self, data: bytes, exp_devid: int, exp_tid: int
    ) -> tuple[int, ModbusPDU | None]:
        try:
            return super().handleFrame(data, exp_devid, exp_tid)
        except (ModbusException, IndexError, ValueError, struct_error):
            return len(data), _Undecodable(dev_id=exp_devid, transaction_id=exp_tid)
