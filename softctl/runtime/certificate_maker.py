"""Makes a test authority and what it signs, with the library `cryptography`.

A test authority protects nothing: whoever has its key makes a certificate for any role.
"""

from __future__ import annotations

import ipaddress
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import Enum
from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from softctl.errors import SoftctlError
from softctl.modbus.certificates import ROLE_OID
from softctl.runtime.certificate_plan import Authority, Purpose, Wanted, files_of

ORGANISATION: Final = "softctl TEST ONLY"
CLOCKS_DIFFER: Final = timedelta(hours=1)
"""So that a peer whose clock is behind takes a fresh certificate."""

RSA_BITS: Final = 2048
_UTF8_STRING: Final = 0x0C
_CERTIFICATE_MODE: Final = 0o644
_KEY_MODE: Final = 0o600

PrivateKey = rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey


class KeyKind(Enum):
    """RSA goes with the cipher suite that every device must have, P-256 with the curve."""

    RSA = "rsa"
    P256 = "p256"


@dataclass(frozen=True, slots=True)
class _Signer:
    certificate: x509.Certificate
    key: PrivateKey


def make_certificates(
    authorities: Sequence[Authority], *, days: int, kind: KeyKind, overwrite: bool
) -> None:
    """Make every certificate and key of a plan and write its files, keys with mode 0600.

    Raises:
        SoftctlError: a file is there already and `overwrite` is False (then nothing was
            written), or a file cannot be written.
    """
    there = [path for path in files_of(list(authorities)) if os.path.lexists(path)]
    if there and not overwrite:
        names = ", ".join(str(path) for path in there)
        raise SoftctlError(f"expected to overwrite nothing, got files that are there: {names}")
    for authority in authorities:
        signer = _make_authority(kind, days)
        _write_pair(authority.certificate, authority.key, signer.certificate, signer.key)
        for wanted in authority.signs:
            key = _make_key(kind)
            _write_pair(wanted.certificate, wanted.key, _sign(signer, wanted, key, days), key)


def role_extension(role: str) -> x509.UnrecognizedExtension:
    """The role as Modbus/TCP Security v36 has it: one UTF8String under its own OID."""
    text = role.encode()
    size = len(text)
    if size < 0x80:
        length = bytes((size,))
    else:
        digits = size.to_bytes((size.bit_length() + 7) // 8, "big")
        length = bytes((0x80 | len(digits),)) + digits
    value = bytes((_UTF8_STRING,)) + length + text
    return x509.UnrecognizedExtension(x509.ObjectIdentifier(ROLE_OID), value)


def _make_key(kind: KeyKind) -> PrivateKey:
    if kind is KeyKind.RSA:
        return rsa.generate_private_key(public_exponent=65_537, key_size=RSA_BITS)
    return ec.generate_private_key(ec.SECP256R1())


def _name(common: str) -> x509.Name:
    """A common name holds at most 64 characters (RFC 5280, appendix A.1)."""
    return x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, ORGANISATION),
            x509.NameAttribute(NameOID.COMMON_NAME, common[:64]),
        ]
    )


def _begin(
    subject: x509.Name, issuer: x509.Name, key: PrivateKey, days: int
) -> x509.CertificateBuilder:
    now = datetime.now(UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - CLOCKS_DIFFER)
        .not_valid_after(now + timedelta(days=days))
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), False)
    )


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        encipher_only=False,
        decipher_only=False,
    )


def _make_authority(kind: KeyKind, days: int) -> _Signer:
    key, name = _make_key(kind), _name("test authority")
    builder = (
        _begin(name, name, key, days)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
    )
    return _Signer(builder.sign(key, hashes.SHA256()), key)


def _sign(signer: _Signer, wanted: Wanted, key: PrivateKey, days: int) -> x509.Certificate:
    is_server = wanted.purpose is Purpose.SERVER
    purpose = ExtendedKeyUsageOID.SERVER_AUTH if is_server else ExtendedKeyUsageOID.CLIENT_AUTH
    issuer = x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.key.public_key())
    builder = (
        _begin(_name(wanted.name), signer.certificate.subject, key, days)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([purpose]), critical=False)
        .add_extension(issuer, critical=False)
    )
    if wanted.hosts:
        names = x509.SubjectAlternativeName([_alternative(host) for host in wanted.hosts])
        builder = builder.add_extension(names, critical=False)
    if wanted.role:
        builder = builder.add_extension(role_extension(wanted.role), critical=False)
    return builder.sign(signer.key, hashes.SHA256())


def _alternative(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        return x509.DNSName(host)


def _write_pair(
    certificate_path: Path, key_path: Path, certificate: x509.Certificate, key: PrivateKey
) -> None:
    pem = certificate.public_bytes(serialization.Encoding.PEM)
    _write(certificate_path, pem, _CERTIFICATE_MODE)
    secret = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    _write(key_path, secret, _KEY_MODE)


def _write(path: Path, data: bytes, mode: int) -> None:
    """A new file with that mode from its first byte on, never one that was there before."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as file:
            file.write(data)
    except OSError as error:
        raise SoftctlError(f"expected to write {path}, got: {error.strerror}") from error
