"""The asyncio shell of a Modbus/TCP server.

`softctl.modbus.server` decides; here bytes and times become sockets and timers. All that
one receive asked for is answered with one write.
"""

from __future__ import annotations

import asyncio
import socket
import ssl
import time
from collections import deque
from collections.abc import Callable
from typing import Protocol, cast

from softctl.errors import SoftctlError
from softctl.modbus.actions import Action, Close, Send
from softctl.modbus.clients import Client, is_within
from softctl.modbus.device import Device
from softctl.modbus.polls import POLL_BYTES
from softctl.modbus.requests import Reject, Request
from softctl.modbus.server import Connection, Server
from softctl.runtime.events import EventSink, ignore
from softctl.runtime.tls_gate import TlsGates

RECEIVE_BYTES = 64 * POLL_BYTES
"""What one receive may bring: bounds how long one client's burst holds up the others. A
multiple of a poll, so that receives of a long burst of polls end where polls end."""

BACKLOG = 1024
"""Connections that may wait to be taken in: when a hundred clients come back at once, none
has its first packet dropped, which would cost it a second."""

MAX_QUEUED_ACTIONS = 256
"""Delayed actions a client may pile up before it is no longer read from."""

CLOSE_TIMEOUT_S = 1.0

KEEPALIVE = {"TCP_KEEPIDLE": 60, "TCP_KEEPINTVL": 10, "TCP_KEEPCNT": 3}
"""Seconds until a silent client is probed, between probes, and probes until it is given up.
The system's own figures are hours, so that a client without power would hold its place."""


class Listener(Protocol):
    """Who is told of what clients do: an audit, a drill, a recording.

    One that has `on_polls` too (`softctl.modbus.server.PollObserver`) is told of several polls
    at once through that.
    """

    def opened(self, client: Client) -> None: ...

    def closed(self, client: Client) -> None: ...

    def on_request(
        self, client: Client, frame: bytes, request: Request | Reject | None, reply: bytes | None
    ) -> None: ...


class ModbusServer:
    """Serves devices on one listening socket.

    Args:
        server: the devices, or one device alone.
        clock_ns: the clock of delays; monotonic.
    """

    def __init__(
        self, server: Server | Device, *, clock_ns: Callable[[], int] = time.monotonic_ns
    ) -> None:
        self.server = server if isinstance(server, Server) else Server([server])
        self.clock_ns = clock_ns
        self.receive_buffer = memoryview(bytearray(RECEIVE_BYTES))
        self._listener: asyncio.Server | None = None
        self._gates: TlsGates | None = None
        self._protocols: dict[Client, _Protocol] = {}
        self._idle_timer: asyncio.TimerHandle | None = None
        self._listens: Listener | None = None
        self._past_requests = 0
        self.on_admitted: list[Callable[[Client], None]] = []
        """Called with each client that is let in."""

    def observe(self, listener: Listener | None) -> Listener | None:
        """Tell somebody of every connection and request from now on; who was told before."""
        before, self._listens = self._listens, listener
        self.server.on_request = None if listener is None else listener.on_request
        self.server.on_polls = getattr(listener, "on_polls", None)
        return before

    @property
    def connections(self) -> int:
        """The number of connected clients."""
        return len(self._protocols)

    @property
    def requests(self) -> int:
        """The requests that were dealt with so far, of clients that are gone too."""
        return self._past_requests + sum(client.requests for client in self._protocols)

    @property
    def clients(self) -> tuple[Client, ...]:
        """The connected clients with their counters."""
        return tuple(self._protocols)

    async def start(
        self,
        host: str = "127.0.0.1",
        port: int = 0,
        tls: ssl.SSLContext | None = None,
        sink: EventSink = ignore,
    ) -> tuple[str, int]:
        """Listen; port 0 takes a free one.

        Args:
            tls: makes it Modbus/TCP Security; the context must require certificates.
            sink: told of the clients that TLS turns away.

        Returns:
            The address that is listened on.

        Raises:
            SoftctlError: the address cannot be listened on, for instance when the port is
                in use.
        """
        loop = asyncio.get_running_loop()
        try:
            self._listener = await loop.create_server(
                self._factory(tls, sink), host, port, backlog=BACKLOG
            )
        except (OSError, OverflowError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise SoftctlError(
                f"expected a free address to serve Modbus/TCP on, got {host}:{port}: {reason}"
            ) from error
        bound = self._listener.sockets[0].getsockname()
        return bound[0], bound[1]

    def _factory(
        self, tls: ssl.SSLContext | None, sink: EventSink
    ) -> Callable[[], asyncio.BaseProtocol]:
        """What makes the protocol of a new connection, behind a gate where there is TLS."""
        if tls is None:
            return lambda: _Protocol(self)
        policy = self.server.pool.policy
        self._gates = TlsGates(
            tls,
            lambda: _Protocol(self),
            lambda host: not policy.allowed or is_within(host, policy.allowed),
            sink,
        )
        return self._gates.open

    async def close(self) -> None:
        """Stop listening and end every connection, after what is already due was sent."""
        if self._listener is not None:
            self._listener.close()
        if self._gates is not None:
            self._gates.close()
        if self._idle_timer is not None:
            self._idle_timer.cancel()
        protocols = tuple(self._protocols.values())
        for protocol in protocols:
            protocol.close()
        waiting = [protocol.lost.wait() for protocol in protocols]
        if waiting:
            try:
                await asyncio.wait_for(asyncio.gather(*waiting), CLOSE_TIMEOUT_S)
            except TimeoutError:
                for protocol in protocols:
                    protocol.abort()
        if self._listener is not None:
            await self._listener.wait_closed()
            self._listener = None

    def add(self, client: Client, protocol: _Protocol) -> bool:
        """Take a new connection in, perhaps in the place of an idle one; False to refuse."""
        is_admitted, evicted = self.server.admit(client, self.clock_ns())
        if evicted is not None:
            self._protocols[evicted].abort()
        if self._listens is not None:
            self._listens.opened(client)
            if not is_admitted:
                self._listens.closed(client)
        if is_admitted:
            self._protocols[client] = protocol
            self._watch_idle()
            for call in self.on_admitted:
                call(client)
        return is_admitted

    def discard(self, client: Client) -> None:
        """Forget a connection that is gone."""
        self.server.pool.remove(client)
        if self._listens is not None:
            self._listens.closed(client)
        if self._protocols.pop(client, None) is not None:
            self._past_requests += client.requests

    def _watch_idle(self) -> None:
        if self._idle_timer is None and self.server.pool.policy.idle_timeout_ns is not None:
            self._close_idle()

    def _close_idle(self) -> None:
        now_ns = self.clock_ns()
        over, next_ns = self.server.pool.expire(now_ns)
        for client in over:
            self._protocols[client].close()
        self._idle_timer = None
        if next_ns is not None and self._protocols:
            delay_s = max(1_000_000, next_ns - now_ns) / 1e9
            loop = asyncio.get_running_loop()
            self._idle_timer = loop.call_later(delay_s, self._close_idle)


class _Protocol(asyncio.BufferedProtocol):
    """One connection and its queue of actions that are not yet due.

    All connections share one receive buffer: the loop asks for it, fills it and reports
    in one go, and nothing keeps a view of it. So an idle connection costs no buffer.
    """

    def __init__(self, owner: ModbusServer) -> None:
        self._owner = owner
        self._view = owner.receive_buffer
        self._queue: deque[Action] = deque()
        self._timer: asyncio.TimerHandle | None = None
        self._is_peer_blocked = False
        self._is_half_closed = False
        self.lost = asyncio.Event()
        self.client: Client
        self._connection: Connection
        self._transport: asyncio.Transport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)  # uvloop's has another base
        _tune_socket(transport)
        self.client = _peer(transport)
        self._connection = self._owner.server.connect(self.client)
        if not self._owner.add(self.client, self):
            self.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        self._cancel_timer()
        self._queue.clear()
        self._owner.discard(self.client)
        self.lost.set()

    def get_buffer(self, sizehint: int) -> memoryview:
        return self._view

    def buffer_updated(self, nbytes: int) -> None:
        now_ns = self._owner.clock_ns()
        if not self._queue:
            replies = self._connection.answer_polls(self._view, nbytes, now_ns)
            if replies is not None:
                self._transport.write(replies)
                return
        for action in self._connection.receive_any(bytes(self._view[:nbytes]), now_ns):
            if self._queue or action.at_ns > now_ns:
                self._queue.append(action)
            else:
                self._do(action)
        if self._queue:
            self._schedule(now_ns)

    def eof_received(self) -> bool:
        """A client may close its side first and still get its answers."""
        self._is_half_closed = True
        return bool(self._queue)

    def pause_writing(self) -> None:
        self._is_peer_blocked = True
        self._update_reading()

    def resume_writing(self) -> None:
        self._is_peer_blocked = False
        self._update_reading()

    def close(self) -> None:
        self._cancel_timer()
        self._queue.clear()
        self._transport.close()

    def abort(self) -> None:
        self._transport.abort()

    def _do(self, action: Action) -> None:
        if isinstance(action, Send):
            self._transport.write(action.data)
        elif isinstance(action, Close) and action.abort:
            _reset_on_close(self._transport)
            self._transport.abort()
        else:
            self._transport.close()

    def _schedule(self, now_ns: int) -> None:
        if self._timer is None:
            delay_s = max(0, self._queue[0].at_ns - now_ns) / 1e9
            self._timer = asyncio.get_running_loop().call_later(delay_s, self._run_queue)
        self._update_reading()

    def _run_queue(self) -> None:
        self._timer = None
        now_ns = self._owner.clock_ns()
        while self._queue and self._queue[0].at_ns <= now_ns:
            if self._transport.is_closing():
                self._queue.clear()
                return
            self._do(self._queue.popleft())
        if self._queue:
            self._schedule(now_ns)
        elif self._is_half_closed:
            self._transport.close()
        self._update_reading()

    def _cancel_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _update_reading(self) -> None:
        """A client that does not take its answers, or piles up delays, is not read from."""
        if self._transport.is_closing() or self._is_half_closed:
            return
        is_wanted = not self._is_peer_blocked and len(self._queue) < MAX_QUEUED_ACTIONS
        if is_wanted and not self._transport.is_reading():
            self._transport.resume_reading()
        elif not is_wanted and self._transport.is_reading():
            self._transport.pause_reading()


def _peer(transport: asyncio.BaseTransport) -> Client:
    peer = transport.get_extra_info("peername")
    role = transport.get_extra_info("role", "")
    return Client(f"{peer[0]}:{peer[1]}", peer[0], role) if peer else Client("unknown", role=role)


def _tune_socket(transport: asyncio.BaseTransport) -> None:
    """As the guide recommends (V1.0b, section 4.3.2): no delay for small replies, keepalive."""
    sock = transport.get_extra_info("socket")
    if sock is not None:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for name, value in KEEPALIVE.items():
            if hasattr(socket, name):  # not every system has all three
                sock.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


def _reset_on_close(transport: asyncio.BaseTransport) -> None:
    """Linger of zero seconds makes the close a TCP reset."""
    sock = transport.get_extra_info("socket")
    if sock is not None:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
