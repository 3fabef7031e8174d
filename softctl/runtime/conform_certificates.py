"""Certificates with one thing wrong each, for the conformance cases about TLS.

They are copies of the client's own certificate, role included, so that a server refuses
them only for what is wrong with them.
"""

from __future__ import annotations

import os
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
from cryptography.x509.oid import ExtensionOID

from softctl.conform.steps import Show
from softctl.errors import SoftctlError
from softctl.runtime.certificate_maker import PrivateKey

_ROLE: Final = x509.ObjectIdentifier("1.3.6.1.4.1.50316.802.1")
_NEIGHBOUR: Final = x509.ObjectIdentifier("1.3.6.1.4.1.50316.802.2")
_NEIGHBOUR_DER: Final = bytes.fromhex("06 0B 2B 06 01 04 01 83 89 0C 86 22 02")
_ROLE_DER: Final = _NEIGHBOUR_DER[:-1] + b"\x01"
_PRINTABLE_STRING: Final = 0x13
_ALGORITHMS: Final = {
    "rsa": bytes.fromhex("30 0D 06 09 2A 86 48 86 F7 0D 01 01 0B 05 00"),
    "ec": bytes.fromhex("30 0A 06 08 2A 86 48 CE 3D 04 03 02"),
}
"""sha256WithRSAEncryption and ecdsa-with-SHA256 in DER (RFC 8017, RFC 5758)."""

_DAY: Final = timedelta(days=1)
_NOT_COPIED: Final = (
    _ROLE,
    ExtensionOID.AUTHORITY_KEY_IDENTIFIER,
    ExtensionOID.SUBJECT_KEY_IDENTIFIER,
)


@dataclass(frozen=True, slots=True)
class _Issuer:
    name: x509.Name
    key: PrivateKey


class WrongCertificates:
    """Makes them in a folder, which has to be private, since keys are in the same files."""

    def __init__(self, own: Path, authority: Path, folder: Path) -> None:
        """Read what the copies are made from; raises SoftctlError for no certificate."""
        self._own = _load(own)
        self._authority = _load(authority)
        self._folder = folder
        self._key = self._new_key()

    @property
    def has_role(self) -> bool:
        """Whether the own certificate has a role, without which some cases say nothing."""
        return self._role is not None

    def make_unsigned(self) -> dict[Show, Path]:
        """Those for which the authority's key is not needed."""
        other = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "another authority")])
        stranger, forger = self._new_key(), self._new_key()
        return {
            Show.STRANGER: self._sign(Show.STRANGER, _Issuer(other, stranger)),
            Show.SELF_SIGNED: self._sign(Show.SELF_SIGNED, _Issuer(self._own.subject, self._key)),
            Show.FORGED: self._sign(Show.FORGED, _Issuer(self._authority.subject, forger)),
        }

    def make_signed(self, key: Path) -> dict[Show, Path]:
        """Those that the authority itself signs; raises SoftctlError for a wrong key."""
        private = _load_key(key)
        if private.public_key() != self._authority.public_key():
            raise SoftctlError(
                f"expected the private key of the authority's certificate, got another in {key}"
            )
        issuer, now = _Issuer(self._authority.subject, private), datetime.now(UTC)
        made = {
            Show.EXPIRED: self._sign(Show.EXPIRED, issuer, (now - 9 * _DAY, now - _DAY)),
            Show.NOT_YET: self._sign(Show.NOT_YET, issuer, (now + _DAY, now + 9 * _DAY)),
            Show.NO_ROLE: self._sign(Show.NO_ROLE, issuer, roles=()),
        }
        if self._role is not None:
            other = bytes((_PRINTABLE_STRING,)) + self._role[1:]
            made[Show.OTHER_STRING] = self._sign(Show.OTHER_STRING, issuer, roles=[other])
            made[Show.TWO_ROLES] = self._sign_two_roles(issuer, self._role)
        return made

    @property
    def _role(self) -> bytes | None:
        """The extension's value in DER."""
        for extension in self._own.extensions:
            if extension.oid == _ROLE and isinstance(extension.value, x509.UnrecognizedExtension):
                return extension.value.value
        return None

    def _new_key(self) -> PrivateKey:
        """Of the own certificate's kind, since a server need not take every kind."""
        if isinstance(self._own.public_key(), rsa.RSAPublicKey):
            return rsa.generate_private_key(public_exponent=65_537, key_size=2048)
        return ec.generate_private_key(ec.SECP256R1())

    def _sign(
        self,
        show: Show,
        issuer: _Issuer,
        valid: tuple[datetime, datetime] | None = None,
        roles: Sequence[bytes] | None = None,
    ) -> Path:
        certificate = self._builder(issuer, valid, roles).sign(issuer.key, hashes.SHA256())
        return self._write(show, certificate.public_bytes(serialization.Encoding.DER))

    def _builder(
        self,
        issuer: _Issuer,
        valid: tuple[datetime, datetime] | None = None,
        roles: Sequence[bytes] | None = None,
    ) -> x509.CertificateBuilder:
        now = datetime.now(UTC)
        begin, end = valid or (now - _DAY, now + _DAY)
        builder = (
            x509.CertificateBuilder()
            .subject_name(self._own.subject)
            .issuer_name(issuer.name)
            .public_key(self._key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(begin)
            .not_valid_after(end)
        )
        for extension in self._own.extensions:
            if extension.oid not in _NOT_COPIED:
                builder = builder.add_extension(extension.value, extension.critical)
        if roles is None:
            roles = [self._role] if self._role is not None else []
        for oid, role in zip((_ROLE, _NEIGHBOUR), roles, strict=False):
            builder = builder.add_extension(x509.UnrecognizedExtension(oid, role), False)
        return builder

    def _sign_two_roles(self, issuer: _Issuer, role: bytes) -> Path:
        """The same role twice, so that a server that takes either one serves the client.

        No library makes such a certificate (RFC 5280, section 4.2 forbids it), so a
        neighbour's identifier is changed in the bytes to be signed.
        """
        made = self._builder(issuer, roles=(role, role)).sign(issuer.key, hashes.SHA256())
        body = made.tbs_certificate_bytes.replace(_NEIGHBOUR_DER, _ROLE_DER)
        if isinstance(issuer.key, rsa.RSAPrivateKey):
            algorithm = _ALGORITHMS["rsa"]
            signature = issuer.key.sign(body, padding.PKCS1v15(), hashes.SHA256())
        else:
            algorithm = _ALGORITHMS["ec"]
            signature = issuer.key.sign(body, ec.ECDSA(hashes.SHA256()))
        return self._write(
            Show.TWO_ROLES, _der(0x30, body + algorithm + _der(0x03, b"\0" + signature))
        )

    def _write(self, show: Show, certificate: bytes) -> Path:
        """Certificate and key in one file that only its owner can read."""
        path = self._folder / f"{show.value}.pem"
        lines = ssl.DER_cert_to_PEM_cert(certificate).encode("ascii")
        secret = self._key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(lines + secret)
        return path


def _der(tag: int, content: bytes) -> bytes:
    size = len(content)
    digits = size.to_bytes((size.bit_length() + 7) // 8, "big")
    length = bytes((size,)) if size < 128 else bytes((0x80 | len(digits),)) + digits
    return bytes((tag,)) + length + content


def _load(path: Path) -> x509.Certificate:
    try:
        return x509.load_pem_x509_certificate(path.read_bytes())
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "something else"
        raise SoftctlError(f"expected a certificate in PEM form in {path}, got {reason}") from error


def _load_key(path: Path) -> PrivateKey:
    try:
        key = serialization.load_pem_private_key(path.read_bytes(), None)
    except (OSError, ValueError, TypeError) as error:
        reason = getattr(error, "strerror", None) or "something else"
        raise SoftctlError(
            f"expected a private key in PEM form, without a password, in {path}, got {reason}"
        ) from error
    if not isinstance(key, rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey):
        raise SoftctlError(f"expected an RSA or elliptic private key in {path}, got another kind")
    return key
