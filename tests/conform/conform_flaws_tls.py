"""Servers of Modbus/TCP Security that are wrong in one way each."""

from __future__ import annotations

import socket
import ssl
import warnings
from contextlib import suppress

from conform_tls_servers import NO_CHECK_TIME, SecureServer

FLAWS: list[tuple[type[SecureServer], str]] = []
"""Every flaw, with the cases that must fail."""


def sees(patterns: str):
    """The cases that must fail, and no others."""

    def add(flaw: type[SecureServer]) -> type[SecureServer]:
        FLAWS.append((flaw, patterns))
        return flaw

    return add


class Old(SecureServer):
    """TLS before 1.2, which the ssl module has to be talked into."""

    ciphers = "ALL:@SECLEVEL=0"
    lowest = ssl.TLSVersion.TLSv1

    def context(self) -> ssl.SSLContext:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            context = super().context()
        context.set_ciphers("ALL:!aNULL:@SECLEVEL=0")
        return context


@sees("tls-version-1-0-refused tls-version-1-1-refused")
class SpeaksOldVersions(Old):
    pass


@sees("tls-version-1-1-refused")
class SpeaksOneOldVersion(Old):
    lowest = ssl.TLSVersion.TLSv1_1


@sees(
    "tls-version-1-[012]* tls-version-highest tls-cipher-[re]* "
    "tls-curve-p256 tls-server-key tls-record-spoilt tls-farewell tls-role-absent"
)
class NegotiatesDown(Old):
    """Takes the lowest version with any client that has no TLS 1.3."""

    highest = ssl.TLSVersion.TLSv1_2

    def serve(self, raw: socket.socket) -> None:
        hello = raw.recv(2000, socket.MSG_PEEK)
        self.tls.maximum_version = ssl.TLSVersion.TLSv1_2
        if b"\x00\x2b\x00" not in hello:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", DeprecationWarning)
                self.tls.maximum_version = ssl.TLSVersion.TLSv1_1
        super().serve(raw)


@sees(
    "tls-version-1-2 tls-version-highest tls-curve-p256 tls-server-key tls-record-spoilt "
    "tls-farewell tls-role-absent tls-cipher-[re]*"
)
class NewestOnly(SecureServer):
    """Has TLS 1.3 and nothing else, so that the suite every device must have is missing."""

    lowest = ssl.TLSVersion.TLSv1_3


@sees("tls-client-none-1-2 tls-client-none-1-3")
class CertificateOptional(SecureServer):
    verify = ssl.CERT_OPTIONAL


@sees("tls-client-* tls-role-two tls-role-other-string")
class AsksForNoCertificate(SecureServer):
    """Takes every client for one without a role."""

    verify = ssl.CERT_NONE

    def role(self, certificate: bytes | None) -> str | None:
        return "fitter"


class Trusting(SecureServer):
    """Trusts one certificate too many."""

    show = ""

    def context(self) -> ssl.SSLContext:
        context = super().context()
        for path in self.trusted:
            if path.stem == self.show:
                context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
                context.load_verify_locations(path)
        return context


@sees("tls-client-stranger")
class TrustsAStranger(Trusting):
    show = "stranger"


@sees("tls-client-self-signed")
class TrustsTheSelfSigned(Trusting):
    show = "self-signed"


@sees("tls-client-forged")
class TrustsAName(Trusting):
    """Looks for the issuer by its name, and finds whoever took that name."""

    show = "forged"


@sees("tls-client-expired tls-client-not-yet")
class HasNoClock(SecureServer):
    def context(self) -> ssl.SSLContext:
        context = super().context()
        context.verify_flags |= NO_CHECK_TIME
        return context


class _Pipe:
    """A TLS line over memory buffers, whose alerts can be kept back."""

    def __init__(self, raw: socket.socket, context: ssl.SSLContext) -> None:
        self.raw = raw
        self.incoming, self.outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
        self.tls = context.wrap_bio(self.incoming, self.outgoing, server_side=True)

    def call(self, function, *arguments):
        while True:
            try:
                return function(*arguments)
            except ssl.SSLWantReadError:
                self.flush()
                data = self.raw.recv(4096)
                if not data:
                    raise OSError("closed") from None
                self.incoming.write(data)

    def flush(self) -> None:
        self.raw.sendall(self.outgoing.read())

    def recv(self, size: int) -> bytes:
        try:
            return self.call(self.tls.read, size)
        except ssl.SSLZeroReturnError:
            return b""

    def sendall(self, data: bytes) -> None:
        self.tls.write(data)
        self.flush()

    def unwrap(self) -> None:
        with suppress(ssl.SSLError):
            self.tls.unwrap()
        self.flush()


@sees("tls-client-* tls-version-1-[01]-refused tls-cipher-anonymous tls-record-spoilt")
class ClosesWithoutAlert(SecureServer):
    """Turns the right ones away, but says nothing."""

    def serve(self, raw: socket.socket) -> None:
        line = _Pipe(raw, self.tls)
        try:
            line.call(line.tls.do_handshake)
        except (ssl.SSLError, OSError):
            return
        line.flush()
        role = self.role(line.tls.getpeercert(binary_form=True))
        if role is not None:
            self.converse(line, role)


@sees("tls-client-* tls-version-1-[013]* tls-cipher-anonymous tls-record-spoilt")
class OldAndWithoutAlert(ClosesWithoutAlert):
    """Has no TLS 1.3, as it may, but does not say so."""

    highest = ssl.TLSVersion.TLSv1_2


def wait_for_end(raw: socket.socket) -> None:
    """Until the client loses its patience."""
    with suppress(OSError):
        while raw.recv(4096):
            pass


@sees("tls-client-none-*")
class WarnsAndStaysOpen(ClosesWithoutAlert):
    """The alert goes out, but the connection stays, for a client without a certificate."""

    waits = True

    def serve(self, raw: socket.socket) -> None:
        line = _Pipe(raw, self.tls)
        try:
            line.call(line.tls.do_handshake)
        except ssl.SSLError as error:
            line.flush()
            if self.waits and error.reason == "PEER_DID_NOT_RETURN_A_CERTIFICATE":
                wait_for_end(raw)
            return
        line.flush()
        role = self.role(line.tls.getpeercert(binary_form=True))
        if role is not None:
            self.converse(line, role)

    def spoilt(self, line) -> None:
        line.flush()


@sees("tls-cipher-required")
class OnlyLongKeys(SecureServer):
    ciphers = "ECDHE+AES256"
    keys = ("rsa",)


@sees("tls-cipher-elliptic")
class OnlyLongEllipticKeys(SecureServer):
    ciphers = "ECDHE+AES256"
    keys = ("ec",)


@sees("tls-cipher-required")
class RequiredSuiteMissing(SecureServer):
    ciphers = "ECDHE-ECDSA-AES128-GCM-SHA256:ECDHE-RSA-AES256-GCM-SHA384"
    keys = ("rsa",)


@sees("tls-cipher-anonymous")
class TakesAnonymousSuites(SecureServer):
    ciphers = "ECDHE+AESGCM:aNULL:@SECLEVEL=0"


@sees("tls-curve-p256")
class AnotherCurve(SecureServer):
    curve = "secp384r1"
    keys = ("rsa",)


@sees("tls-server-key tls-curve-p256")
class KeyOnAnotherCurve(SecureServer):
    keys = ("p384",)


@sees("tls-plain")
class AlsoInTheClear(SecureServer):
    """Serves a client without TLS at the same port."""

    def serve(self, raw: socket.socket) -> None:
        if raw.recv(1, socket.MSG_PEEK) == b"\x16":
            super().serve(raw)
            return
        link = self.reference.connect()
        while data := raw.recv(4096):
            raw.sendall(self.reference.receive(link, data))


@sees("tls-record-spoilt")
class SpoiltRecordHangs(WarnsAndStaysOpen):
    """Sends the alert, and leaves the connection open."""

    waits = False

    def spoilt(self, line) -> None:
        line.flush()
        wait_for_end(line.raw)


@sees("tls-farewell")
class LeavesWithoutFarewell(SecureServer):
    def farewell(self, line) -> None:
        pass


@sees("tls-role-absent")
class CutsOffTheNullRole(SecureServer):
    def role(self, certificate: bytes | None) -> str | None:
        return super().role(certificate) or None


@sees("tls-role-two")
class TakesTheFirstOfTwoRoles(SecureServer):
    def role_values(self, certificate: bytes) -> list[bytes]:
        return super().role_values(certificate)[:1]


@sees("tls-role-two")
class TakesTheLastOfTwoRoles(SecureServer):
    def role_values(self, certificate: bytes) -> list[bytes]:
        return super().role_values(certificate)[-1:]


@sees("tls-role-other-string")
class TakesAnyString(SecureServer):
    def role_values(self, certificate: bytes) -> list[bytes]:
        return [b"\x0c" + value[1:] for value in super().role_values(certificate)]


@sees("tls-role-read-* tls-role-write-* tls-role-goes-on")
class RolesAreNotLookedAt(SecureServer):
    def permits(self, role: str, pdu: bytes) -> bool:
        return True


@sees("tls-role-write-fc22")
class MaskWritesArePermitted(SecureServer):
    def permits(self, role: str, pdu: bytes) -> bool:
        return pdu[0] == 22 or super().permits(role, pdu)


@sees("tls-role-write-fc05 tls-role-write-fc06")
class SingleWritesArePermitted(SecureServer):
    def permits(self, role: str, pdu: bytes) -> bool:
        return pdu[0] in (5, 6) or super().permits(role, pdu)


@sees("tls-role-write-fc15 tls-role-write-fc16")
class LastAddressOfWritesOverlooked(SecureServer):
    def writes(self, function: int, pdu: bytes) -> tuple[int, int] | None:
        return None if function in (15, 16) else super().writes(function, pdu)


@sees("tls-role-write-fc23")
class ReadWriteCountsAsRead(SecureServer):
    def writes(self, function: int, pdu: bytes) -> tuple[int, int] | None:
        return None if function == 23 else super().writes(function, pdu)


@sees("tls-role-write-then-read")
class ReadWriteCountsAsWrite(SecureServer):
    def reads(self, function: int, pdu: bytes) -> tuple[int, int] | None:
        return None if function == 23 else super().reads(function, pdu)


@sees("tls-role-write-then-read")
class WritesBeforeItRefuses(SecureServer):
    """Function 23 is refused for what it reads, but has written by then."""

    def deny(self, link, frame: bytes) -> bytes:
        reads = self.reads(frame[7], frame[7:])
        if frame[7] == 23 and reads[1] >= 290:
            self.reference.answer(link, frame)
        return super().deny(link, frame)


@sees("tls-role-read-coils tls-role-read-discrete tls-role-goes-on")
class BitsAreNotHidden(SecureServer):
    def reads(self, function: int, pdu: bytes) -> tuple[int, int] | None:
        return None if function in (1, 2) else super().reads(function, pdu)


@sees("tls-role-read-* tls-role-write-* tls-role-goes-on")
class RefusesWithAnotherCode(SecureServer):
    def deny(self, link, frame: bytes) -> bytes:
        return super().deny(link, frame)[:-1] + b"\x02"


@sees("tls-role-goes-on")
class RefusalEndsTheConnection(SecureServer):
    """Sends exception 01 and then closes."""

    def deny(self, link, frame: bytes) -> bytes:
        link.is_closed = True
        return super().deny(link, frame)
