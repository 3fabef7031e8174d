"""Certificates for tests, good ones and wrong ones, made by the library `cryptography`."""

from __future__ import annotations

import ipaddress
import ssl
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

ROLE = "1.3.6.1.4.1.50316.802.1"
NEXT_TO_ROLE = "1.3.6.1.4.1.50316.802.2"
"""Written by the same number of bytes."""

PrivateKey = ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey


def utf8(text: str) -> bytes:
    """A short UTF8String in DER."""
    return bytes((0x0C, len(text.encode()))) + text.encode()


def _name(common: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common)])


@dataclass
class Pair:
    """Two PEM files, and what a client or server makes of them."""

    certificate: Path
    key: Path


class Pki:
    """One authority in a folder of its own."""

    def __init__(self, folder: Path, kind: str = "p256") -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.kind = kind
        self.key = self._new_key()
        self.name = _name(f"authority of {folder.name}")
        now = datetime.now(UTC)
        self.authority = folder / "authority.pem"
        builder = self._builder(self.name, self.key, now - timedelta(hours=1), 30)
        builder = builder.add_extension(x509.BasicConstraints(True, 0), True)
        self._write(self.authority, builder.sign(self.key, hashes.SHA256()))

    def issue(
        self,
        name: str,
        *extensions: tuple[str, bytes],
        role: str = "",
        for_server: bool = False,
        days: int = 30,
        begins: timedelta = timedelta(hours=-1),
    ) -> Pair:
        """A certificate and its key; `days` and `begins` may put it into the past."""
        key = self._new_key()
        usage = ExtendedKeyUsageOID.SERVER_AUTH if for_server else ExtendedKeyUsageOID.CLIENT_AUTH
        builder = self._builder(_name(name), key, datetime.now(UTC) + begins, days)
        builder = builder.add_extension(x509.ExtendedKeyUsage([usage]), False)
        if for_server:
            address = x509.IPAddress(ipaddress.ip_address("127.0.0.1"))
            builder = builder.add_extension(x509.SubjectAlternativeName([address]), False)
        for oid, value in (*extensions, *([(ROLE, utf8(role))] if role else [])):
            unknown = x509.UnrecognizedExtension(x509.ObjectIdentifier(oid), value)
            builder = builder.add_extension(unknown, False)
        pair = Pair(self.folder / f"{name}.pem", self.folder / f"{name}.key")
        self._write(pair.certificate, builder.sign(self.key, hashes.SHA256()))
        pair.key.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        return pair

    def issue_two_roles(self, name: str, first: str, second: str) -> Pair:
        """A certificate with two role extensions, properly signed.

        No library makes one (RFC 5280 section 4.2 forbids it), so a neighbour's OID is
        changed in the bytes to be signed, and those are signed again by hand.
        """
        pair = self.issue(name, (ROLE, utf8(first)), (NEXT_TO_ROLE, utf8(second)))
        made = x509.load_pem_x509_certificate(pair.certificate.read_bytes())
        neighbour = bytes.fromhex("060b 2b06010401 83890c 8622 02")
        assert made.tbs_certificate_bytes.count(neighbour) == 1
        signed = made.tbs_certificate_bytes.replace(neighbour, neighbour[:-1] + b"\x01")
        assert isinstance(self.key, ec.EllipticCurvePrivateKey)
        signature = self.key.sign(signed, ec.ECDSA(hashes.SHA256()))
        algorithm = bytes.fromhex("300a 0608 2a8648ce3d040302")
        body = signed + algorithm + _der(0x03, b"\0" + signature)
        pem = ssl.DER_cert_to_PEM_cert(_der(0x30, body))
        pair.certificate.write_text(pem)
        return pair

    def client(self, pair: Pair | None = None) -> ssl.SSLContext:
        """How a client trusts this authority and shows its own certificate, if it has one."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.load_verify_locations(self.authority)
        if pair is not None:
            context.load_cert_chain(pair.certificate, pair.key)
        return context

    def server(self, pair: Pair) -> ssl.SSLContext:
        """A plain server's context that asks for no certificate."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(pair.certificate, pair.key)
        return context

    def _new_key(self) -> PrivateKey:
        if self.kind == "rsa":
            return rsa.generate_private_key(65_537, 2048)
        return ec.generate_private_key(ec.SECP256R1())

    def _builder(
        self, name: x509.Name, key: PrivateKey, begin: datetime, days: int
    ) -> x509.CertificateBuilder:
        return (
            x509.CertificateBuilder()
            .subject_name(name)
            .issuer_name(self.name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(begin)
            .not_valid_after(begin + timedelta(days=days))
        )

    @staticmethod
    def _write(path: Path, certificate: x509.Certificate) -> None:
        path.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))


def _der(tag: int, content: bytes) -> bytes:
    size = len(content)
    digits = size.to_bytes((size.bit_length() + 7) // 8, "big")
    length = bytes((size,)) if size < 128 else bytes((0x80 | len(digits),)) + digits
    return bytes((tag,)) + length + content
