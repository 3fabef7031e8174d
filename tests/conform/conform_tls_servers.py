"""Servers of Modbus/TCP Security for tests: one right in everything, others wrong in one way.

They stand on blocking sockets of the ssl module and on the library `cryptography`, and
share no code with softctl's own server. What can be wrong is a method to be overridden.
"""

from __future__ import annotations

import socket
import socketserver
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from conform_reference import Link, ReferenceServer, word
from cryptography import x509

ROLE = x509.ObjectIdentifier("1.3.6.1.4.1.50316.802.1")
NO_CHECK_TIME = 0x200000
"""X509_V_FLAG_NO_CHECK_TIME of OpenSSL, which the ssl module has no name for."""

HIDDEN = {1: 1990, 2: 1990, 3: 290, 4: 290}
"""From where on the fitter may not read, by the function that reads the table."""

LOCKED = {1: 1980, 3: 280}
"""From where on the fitter may not write."""


class Papers:
    """Files of one authority: server keys of both kinds, and one client, a fitter."""

    def __init__(self, folder: Path) -> None:
        self.authority = folder / "authority.pem"
        self.authority_key = folder / "authority.key"
        self.server = {kind: folder / f"server_{kind}.pem" for kind in ("rsa", "ec", "p384")}
        self.fitter = folder / "fitter.pem"


class SecureServer:
    """Right in everything."""

    lowest = ssl.TLSVersion.TLSv1_2
    highest = ssl.TLSVersion.TLSv1_3
    ciphers = "ECDHE+AESGCM"
    keys = ("rsa", "ec")
    curve = ""
    verify = ssl.CERT_REQUIRED

    def __init__(self, papers: Papers, trusted: list[Path]) -> None:
        """`trusted` are certificates that only a wrong server would trust."""
        self.papers, self.trusted = papers, trusted
        self.reference = ReferenceServer()
        self.tls = self.context()

    def context(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version, context.maximum_version = self.lowest, self.highest
        context.set_ciphers(self.ciphers)
        context.verify_mode = self.verify
        for kind in self.keys:
            context.load_cert_chain(self.papers.server[kind])
        context.load_verify_locations(self.papers.authority)
        if self.curve:
            context.set_ecdh_curve(self.curve)
        return context

    def serve(self, raw: socket.socket) -> None:
        """One connection from its first byte to its last."""
        try:
            line = self.tls.wrap_socket(raw, server_side=True)
        except (ssl.SSLError, OSError):
            self.refuse(raw)
            return
        role = self.role(line.getpeercert(binary_form=True))
        with line:
            if role is not None:
                self.converse(line, role)

    def refuse(self, raw: socket.socket) -> None:
        """The alert is out already."""

    def role(self, certificate: bytes | None) -> str | None:
        """The role, empty for none; None for a certificate to be turned away."""
        if certificate is None:
            return ""
        values = self.role_values(certificate)
        if len(values) > 1 or any(value[:1] != b"\x0c" for value in values):
            return None
        return values[0][2:].decode() if values else ""

    def role_values(self, certificate: bytes) -> list[bytes]:
        """By hand, since the library refuses certificates with an extension twice."""
        name = bytes.fromhex("06 0B 2B 06 01 04 01 83 89 0C 86 22 01 04")
        parts = certificate.split(name)[1:]
        return [part[1 : 1 + part[0]] for part in parts]

    def converse(self, line: ssl.SSLSocket, role: str) -> None:
        link = self.reference.connect()
        assert link is not None
        while not link.is_closed:
            try:
                data = line.recv(4096)
            except ssl.SSLError:
                self.spoilt(line)
                return
            if not data:
                break
            line.sendall(self.receive(link, data, role))
        self.farewell(line)

    def spoilt(self, line: ssl.SSLSocket) -> None:
        """OpenSSL has sent its alert."""

    def farewell(self, line: ssl.SSLSocket) -> None:
        with suppress(OSError):
            line.unwrap()

    def receive(self, link: Link, data: bytes, role: str) -> bytes:
        """Frames come whole in these tests."""
        reply, link.buffer = b"", link.buffer + data
        while frame := self.reference.cut(link):
            if self.permits(role, frame[7:]):
                reply += self.reference.answer(link, frame)
            else:
                reply += self.deny(link, frame)
        return reply

    def deny(self, link: Link, frame: bytes) -> bytes:
        return frame[:4] + bytes((0, 3, frame[6], frame[7] | 0x80, 1))

    def permits(self, role: str, pdu: bytes) -> bool:
        function = pdu[0]
        if role == "":
            return function == 3 and word(pdu, 1) < 10
        if role != "fitter":
            return False
        reads = self.reads(function, pdu)
        if reads and reads[1] >= HIDDEN[reads[0]]:
            return False
        writes = self.writes(function, pdu)
        return not (writes and writes[1] >= LOCKED[writes[0]])

    def reads(self, function: int, pdu: bytes) -> tuple[int, int] | None:
        """The table's reading function and the last address."""
        if function in (1, 2, 3, 4):
            return function, word(pdu, 1) + word(pdu, 3) - 1
        return (3, word(pdu, 1) + word(pdu, 3) - 1) if function == 23 else None

    def writes(self, function: int, pdu: bytes) -> tuple[int, int] | None:
        if function in (5, 6, 22):
            return 1 if function == 5 else 3, word(pdu, 1)
        if function in (15, 16):
            return 1 if function == 15 else 3, word(pdu, 1) + word(pdu, 3) - 1
        return (3, word(pdu, 5) + word(pdu, 7) - 1) if function == 23 else None


class _Listener(socketserver.ThreadingTCPServer):
    daemon_threads = True
    allow_reuse_address = True
    request_queue_size = 50


@contextmanager
def listening(server: SecureServer) -> Iterator[int]:
    """Serve on a free port of loopback; the port."""

    class Handler(socketserver.BaseRequestHandler):
        def handle(self) -> None:
            self.request.settimeout(5)
            self.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            with suppress(OSError):
                server.serve(self.request)

    with _Listener(("127.0.0.1", 0), Handler) as listener:
        thread = threading.Thread(target=listener.serve_forever, args=(0.01,))
        thread.start()
        try:
            yield listener.server_address[1]
        finally:
            listener.shutdown()
            thread.join()
