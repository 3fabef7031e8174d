"""A Modbus/TCP Security client by hand: Python's ssl over a blocking socket, and struct."""

from __future__ import annotations

import socket
import ssl
import struct

TIMEOUT_S = 10.0


def ask(
    port: int, context: ssl.SSLContext, *pdus: str, session: Session | None = None
) -> list[str]:
    """The reply PDU to each request PDU, in hex, over one connection."""
    with dial(port, context, session) as line:
        return [exchange(line, bytes.fromhex(pdu), number) for number, pdu in enumerate(pdus, 1)]


class Session:
    """Keeps a TLS session from one connection to the next."""

    def __init__(self) -> None:
        self.session: ssl.SSLSession | None = None
        self.was_reused: bool | None = None


def dial(port: int, context: ssl.SSLContext, session: Session | None = None) -> ssl.SSLSocket:
    """A connection after its handshake; with TLS 1.3 the server has not judged it yet."""
    raw = socket.create_connection(("127.0.0.1", port), TIMEOUT_S)
    try:
        line = context.wrap_socket(
            raw,
            server_hostname="127.0.0.1",
            session=None if session is None else session.session,
        )
    except BaseException:
        raw.close()
        raise
    if session is not None:
        session.was_reused = line.session_reused
    return line


def exchange(line: ssl.SSLSocket, pdu: bytes, transaction: int = 1) -> str:
    """One request and its reply; the header is checked, its parts must be echoed."""
    line.sendall(struct.pack(">HHHB", transaction, 0, len(pdu) + 1, 1) + pdu)
    got, protocol, length, unit = struct.unpack(">HHHB", receive(line, 7))
    assert (got, protocol, unit) == (transaction, 0, 1)
    return receive(line, length - 1).hex()


def receive(line: ssl.SSLSocket, size: int) -> bytes:
    """Exactly so many bytes."""
    data = b""
    while len(data) < size:
        more = line.recv(size - len(data))
        if not more:
            raise EOFError(f"expected {size} bytes, got {data.hex()} and the end")
        data += more
    return data


def alert_of(port: int, context: ssl.SSLContext) -> str:
    """The alert with which the server ends a connection, and that it does end it.

    With TLS 1.3 it comes after the client's side of the handshake (RFC 8446 section 4.4).
    """
    try:
        with dial(port, context) as line:
            line.sendall(bytes.fromhex("0001 0000 0006 01 03 0000 0001"))
            data = line.recv(100)
    except ssl.SSLError as error:
        return str(error.reason)
    return f"no alert, but {data.hex()}"


def raw_exchange(port: int, data: bytes) -> bytes:
    """What a plain socket gets back for some bytes until the server closes."""
    got = b""
    with socket.create_connection(("127.0.0.1", port), TIMEOUT_S) as line:
        line.sendall(data)
        try:
            while more := line.recv(4096):
                got += more
        except ConnectionResetError:
            pass
    return got


def limited(context: ssl.SSLContext, version: ssl.TLSVersion, ciphers: str = "") -> ssl.SSLContext:
    """A client that speaks one TLS version only."""
    context.maximum_version = version
    context.minimum_version = version
    if ciphers:
        context.set_ciphers(ciphers)
    return context
