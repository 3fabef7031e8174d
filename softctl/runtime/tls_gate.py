"""TLS between a socket and the protocol behind it, one gate a connection.

The ssl module's memory buffers are used instead of the event loop's own TLS for three
reasons: that one ends a failed handshake without the fatal alert which Modbus/TCP Security
v36 asks for, it cannot say which peer failed and why, and it asks nobody before it spends
a handshake on a host that may not connect anyway.
"""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from collections.abc import Callable
from typing import Any, Final, cast

from softctl.modbus.certificates import CertificateError, read_certificate
from softctl.runtime.events import EventSink, ignore
from softctl.runtime.tls_errors import explain_tls_error

HANDSHAKE_TIMEOUT_S: Final = 10.0
MAX_HANDSHAKES: Final = 128
"""Handshakes in progress at one listener; one more ends the oldest."""


class TlsGates:
    """The gates of one listening socket.

    Args:
        context: the server's; it must require a certificate of the client.
        make_protocol: makes what is behind a gate, once its handshake is done. Its
            transport knows the extra information "role", empty for none.
        is_allowed: whether a host may try a handshake at all.
        sink: told of every client that is refused.
    """

    def __init__(
        self,
        context: ssl.SSLContext,
        make_protocol: Callable[[], asyncio.BufferedProtocol],
        is_allowed: Callable[[str], bool],
        sink: EventSink = ignore,
    ) -> None:
        self.context = context
        self.make_protocol = make_protocol
        self.is_allowed = is_allowed
        self.refused = 0
        self._sink = sink
        self._shaking: dict[_Gate, None] = {}

    def open(self) -> asyncio.Protocol:
        """A gate for a connection that is about to be accepted."""
        return _Gate(self)

    def close(self) -> None:
        """End the handshakes in progress."""
        for gate in tuple(self._shaking):
            gate.abort()

    def begin(self, gate: _Gate) -> None:
        """Note a handshake that begins; the oldest makes room for it."""
        if len(self._shaking) >= MAX_HANDSHAKES:
            oldest = next(iter(self._shaking))
            self.end(oldest)
            oldest.abort()
        self._shaking[gate] = None

    def end(self, gate: _Gate) -> None:
        """Note that a handshake is over, or never was."""
        self._shaking.pop(gate, None)

    def refuse(self, peer: str, reason: str) -> None:
        """Count a client that was turned away, and tell."""
        self.refused += 1
        self._sink("client refused", client=peer, reason=reason)


class _Gate(asyncio.Protocol):
    """One connection: shakes hands, then hands plain bytes in and encrypted ones out."""

    def __init__(self, owner: TlsGates) -> None:
        self._owner = owner
        self._incoming = ssl.MemoryBIO()
        self._outgoing = ssl.MemoryBIO()
        self._tls = owner.context.wrap_bio(self._incoming, self._outgoing, server_side=True)
        self._inner: asyncio.BufferedProtocol | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._is_ended = False
        self.peer = "unknown"
        self.is_reading = True
        self.role = ""
        self.raw: asyncio.Transport

    # What the event loop calls

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.raw = cast("asyncio.Transport", transport)  # uvloop's has another base
        peer = transport.get_extra_info("peername")
        if peer:
            self.peer = f"{peer[0]}:{peer[1]}"
        if not self._owner.is_allowed(peer[0] if peer else ""):
            self.abort()
            return
        self._owner.begin(self)
        loop = asyncio.get_running_loop()
        self._timer = loop.call_later(HANDSHAKE_TIMEOUT_S, self._give_up)

    def data_received(self, data: bytes) -> None:
        self._incoming.write(data)
        if self._inner is None:
            self._shake_hands()
        self._read()

    def eof_received(self) -> bool:
        """Without a farewell; frames know their own length, so nothing can be cut unseen."""
        self._incoming.write_eof()
        return self._inner is not None and self._end_input(self._inner)

    def connection_lost(self, exc: Exception | None) -> None:
        self._finish_handshake()
        if self._inner is not None:
            self._inner.connection_lost(exc)

    def pause_writing(self) -> None:
        if self._inner is not None:
            self._inner.pause_writing()

    def resume_writing(self) -> None:
        if self._inner is not None:
            self._inner.resume_writing()

    # What the protocol behind the gate asks for

    def write(self, data: bytes | bytearray | memoryview) -> None:
        try:
            self._tls.write(data)
        except ssl.SSLError as error:
            self._fail(error)
        self._flush()

    def pause_reading(self) -> None:
        self.is_reading = False
        self.raw.pause_reading()

    def resume_reading(self) -> None:
        self.is_reading = True
        self.raw.resume_reading()
        asyncio.get_running_loop().call_soon(self._read)

    def close(self) -> None:
        """Close after a farewell, which keeps the peer from taking it for a cut."""
        if not self.raw.is_closing():
            # The peer's own farewell is not waited for.
            with contextlib.suppress(ssl.SSLError, ValueError):
                self._tls.unwrap()
            self._flush()
        self.raw.close()

    def abort(self) -> None:
        self.raw.abort()

    # The handshake

    def _shake_hands(self) -> None:
        try:
            self._tls.do_handshake()
        except ssl.SSLWantReadError:
            self._flush()
        except ssl.SSLError as error:
            self._refuse(explain_tls_error(error))
        else:
            self._flush()
            self._admit()

    def _admit(self) -> None:
        """Modbus/TCP Security v36: the role in the certificate goes with every request."""
        self._finish_handshake()
        try:
            self.role = read_certificate(self._tls.getpeercert(binary_form=True) or b"").role
        except CertificateError as error:
            self._refuse(str(error))
            return
        inner = self._owner.make_protocol()
        self._inner = inner
        inner.connection_made(_GateTransport(self))

    def _refuse(self, reason: str) -> None:
        """Turn the client away; the alert, if any, is what is left in the buffer."""
        self._finish_handshake()
        self._owner.refuse(self.peer, reason)
        self.close()

    def _give_up(self) -> None:
        self._timer = None
        self._owner.refuse(self.peer, f"no handshake within {HANDSHAKE_TIMEOUT_S:g} s")
        self.abort()

    def _finish_handshake(self) -> None:
        self._owner.end(self)
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    # Afterwards

    def _read(self) -> None:
        """Hand on what has been decrypted, for as long as it is wanted."""
        inner = self._inner
        while inner is not None and self.is_reading and not self.raw.is_closing():
            buffer = cast("memoryview", inner.get_buffer(-1))
            try:
                count = self._read_into(buffer)
            except ssl.SSLWantReadError:
                break
            except (ssl.SSLZeroReturnError, ssl.SSLEOFError):
                count = 0
            except ssl.SSLError as error:
                self._fail(error)
                return
            if not count:
                if not self._end_input(inner):
                    self.close()
                return
            inner.buffer_updated(count)
        self._flush()

    def _read_into(self, buffer: memoryview) -> int:
        """With a buffer, the ssl module returns a count, which its types do not know."""
        return cast("int", self._tls.read(len(buffer), buffer))

    def _end_input(self, inner: asyncio.BufferedProtocol) -> bool:
        """Tell that nothing more will come, once; True to stay open for the answers."""
        if self._is_ended:
            return True
        self._is_ended = True
        return bool(inner.eof_received())

    def _fail(self, error: ssl.SSLError) -> None:
        """The stream is spoilt: an alert goes out, and nothing after it."""
        self._flush()
        self._owner.refuse(self.peer, explain_tls_error(error))
        self.raw.close()

    def _flush(self) -> None:
        if self._outgoing.pending and not self.raw.is_closing():
            self.raw.write(self._outgoing.read())


class _GateTransport(asyncio.Transport):
    """The gate as the transport of what is behind it."""

    def __init__(self, gate: _Gate) -> None:
        super().__init__()
        self._gate = gate

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        if name == "role":
            return self._gate.role
        return self._gate.raw.get_extra_info(name, default)

    def write(self, data: bytes | bytearray | memoryview) -> None:
        self._gate.write(data)

    def close(self) -> None:
        self._gate.close()

    def abort(self) -> None:
        self._gate.abort()

    def is_closing(self) -> bool:
        return self._gate.raw.is_closing()

    def is_reading(self) -> bool:
        return self._gate.is_reading

    def pause_reading(self) -> None:
        self._gate.pause_reading()

    def resume_reading(self) -> None:
        self._gate.resume_reading()
