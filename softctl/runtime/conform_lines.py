"""Single connections of a conformance run: how they are made, what came, how they end."""

from __future__ import annotations

import asyncio
import os
import socket
import ssl
import struct
from dataclasses import dataclass
from typing import TypeVar

from softctl.runtime.conform_identities import Identities
from softctl.runtime.tls_errors import explain_tls_error

MAX_RECEIVED_BYTES = 1_000_000
"""A server that sends more than this unasked is cut off."""

SHORTEST_SETTLE_S = 0.05


@dataclass(frozen=True, slots=True)
class Dial:
    """How to reach the server.

    `timeout_s` is how long a connection or a reply may take, `settle_s` how long silence
    has to last before it counts as silence. `server_name` is the name its certificate has
    to show, when `tls` is given; `identities` are what the cases about TLS show.
    """

    host: str
    port: int
    timeout_s: float = 1.0
    settle_s: float = SHORTEST_SETTLE_S
    tls: ssl.SSLContext | None = None
    server_name: str | None = None
    identities: Identities | None = None

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self.port}"


class Line(asyncio.Protocol):
    """One connection: what came, and whether the server has closed it."""

    alert = ""

    def __init__(self) -> None:
        self.received = bytearray()
        self.is_closed = False
        self.ending: Exception | None = None
        self.lost = asyncio.Event()
        self._changed = asyncio.Event()
        self.transport: asyncio.Transport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport

    def data_received(self, data: bytes) -> None:
        self.received += data
        self._changed.set()
        if len(self.received) > MAX_RECEIVED_BYTES:
            self.transport.abort()

    def eof_received(self) -> bool:
        """The transport closes itself, unless this side has closed its sending half."""
        self.is_closed = True
        self._changed.set()
        return False

    def connection_lost(self, exc: Exception | None) -> None:
        self.is_closed = True
        self.ending = exc
        self.lost.set()
        self._changed.set()

    def send(self, data: bytes) -> None:
        """Hand bytes of frames to the connection."""
        self.transport.write(data)

    async def change(self, timeout_s: float) -> bool:
        """Wait for bytes or the end; False when neither came in time."""
        self._changed.clear()
        try:
            async with asyncio.timeout(timeout_s):
                await self._changed.wait()
        except TimeoutError:
            return False
        return True

    def take(self, size: int) -> bytes:
        """Remove bytes from the front of what came."""
        data = bytes(self.received[:size])
        del self.received[:size]
        return data


L = TypeVar("L", bound=Line)


async def connect(dial: Dial) -> Line:
    """A new connection, in TLS if there is any; raises OSError (TLS errors are some)."""
    return await attach(dial, Line(), dial.tls)


async def attach(dial: Dial, line: L, tls: ssl.SSLContext | None = None) -> L:
    """Connect a line to the server; raises OSError (TimeoutError and TLS errors are some)."""
    loop = asyncio.get_running_loop()
    name = (dial.server_name or dial.host) if tls else None
    async with asyncio.timeout(max(dial.timeout_s, 1.0)):
        await loop.create_connection(
            lambda: line, dial.host, dial.port, ssl=tls, server_hostname=name
        )
    return line


def reason_of(error: OSError) -> str:
    """Why there is no connection, in a few words."""
    if isinstance(error, TimeoutError):
        return "no connection in time"
    if isinstance(error, ssl.SSLError):
        return f"TLS error: {explain_tls_error(error)}"
    if isinstance(error, socket.gaierror) or not error.errno:
        return (error.strerror or str(error)).lower()
    return os.strerror(error.errno).lower()


def reset_on_close(transport: asyncio.BaseTransport) -> None:
    """Linger of zero seconds makes the close a TCP reset."""
    sock = transport.get_extra_info("socket")
    if sock is not None:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
