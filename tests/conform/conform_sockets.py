"""The tests' own server behind real sockets."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from conform_reference import ReferenceServer


class _Protocol(asyncio.Protocol):
    def __init__(self, server: ReferenceServer, alive: set[asyncio.Transport]) -> None:
        self.server = server
        self.alive = alive

    def connection_made(self, transport) -> None:
        self.transport = transport
        self.alive.add(transport)
        self.link = self.server.connect()
        if self.link is None:
            transport.close()
        else:
            transport.write(self.server.greeting(self.link))

    def data_received(self, data: bytes) -> None:
        if self.link is None or self.transport.is_closing():
            return
        self.transport.write(self.server.receive(self.link, data))
        self.server.heard(self.link)
        if self.link.is_closed:
            self.transport.close()

    def eof_received(self) -> bool:
        if self.link is None:
            return False
        self.server.half_close(self.link)
        return not self.link.is_closed

    def connection_lost(self, error) -> None:
        self.alive.discard(self.transport)
        if self.link is not None:
            self.server.disconnect(self.link)


@asynccontextmanager
async def serving(
    server: ReferenceServer, context: ssl.SSLContext | None = None
) -> AsyncIterator[int]:
    """Serve on a free port of loopback; the port."""
    alive: set[asyncio.Transport] = set()
    loop = asyncio.get_running_loop()
    listener = await loop.create_server(
        lambda: _Protocol(server, alive), "127.0.0.1", 0, ssl=context
    )
    try:
        yield listener.sockets[0].getsockname()[1]
    finally:
        listener.close()
        for transport in list(alive):
            transport.abort()
        await listener.wait_closed()
