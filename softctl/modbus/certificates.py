"""What a certificate says about its owner: the role for Modbus/TCP, and how long it holds.

Modbus/TCP Security v36 keeps the role of a client in an extension of its X.509v3
certificate: OID 1.3.6.1.4.1.50316.802.1, one UTF8String. Python's ssl module shows a
peer's certificate as DER but none of its unusual extensions, so the few fields that matter
are read here (X.690 DER, RFC 5280 section 4.1). Who signed it, and whether it is valid
now, was checked before by the TLS library; this reader still trusts no length.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

ROLE_OID: Final = "1.3.6.1.4.1.50316.802.1"

_ROLE_OID: Final = bytes.fromhex("2b 06 01 04 01 83890c 8622 01")
"""The same in DER (X.690 section 8.19)."""

_BOOLEAN, _OCTETS, _OID, _UTF8, _UTC_TIME, _TIME = 0x01, 0x04, 0x06, 0x0C, 0x17, 0x18
_SEQUENCE, _VERSION, _EXTENSIONS = 0x30, 0xA0, 0xA3
_MAX_LENGTH_BYTES: Final = 3
_TIME_FORMS: Final = {_UTC_TIME: ("%y%m%d%H%M%SZ", 13), _TIME: ("%Y%m%d%H%M%SZ", 15)}

Element = tuple[int, bytes]
"""A tag and the content that belongs to it."""


class CertificateError(ValueError):
    """The bytes are no certificate, or one whose role breaks the rules."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """What is read of a certificate; `role` is empty where it holds none."""

    role: str
    not_before: datetime
    not_after: datetime


def read_certificate(der: bytes) -> Certificate:
    """The role and the validity of an X.509v3 certificate in DER.

    A certificate without a role is fine: its owner has the NULL role, and the
    authorisation decides (Modbus/TCP Security v36). One with several roles, or with
    something else than one UTF8String, gives its owner no role to trust.

    Raises:
        CertificateError: no certificate, more than one role, a role that is not one
            non-empty UTF8String, or one with characters that cannot be printed (a rule
            of our own, since roles are written to logs and terminals).
    """
    fields = _fields(der)
    not_before, not_after = (_time(*element) for element in _pair(fields.validity))
    return Certificate(_role(fields.extensions), not_before, not_after)


@dataclass(frozen=True, slots=True)
class _Fields:
    validity: bytes
    extensions: bytes | None


def _fields(der: bytes) -> _Fields:
    """The parts of the signed certificate that matter here (RFC 5280 section 4.1)."""
    certificate = _only(der, _SEQUENCE, "a certificate")
    to_be_signed = next(_elements(certificate), (0, b""))
    if to_be_signed[0] != _SEQUENCE:
        raise CertificateError("expected a certificate, got something else")
    parts = list(_elements(to_be_signed[1]))
    if parts and parts[0][0] == _VERSION:
        del parts[0]
    # serial number, signature algorithm, issuer, validity, subject, public key, then options
    if len(parts) < 6 or parts[3][0] != _SEQUENCE:
        raise CertificateError("expected a certificate, got something else")
    extensions = [content for tag, content in parts[6:] if tag == _EXTENSIONS]
    if len(extensions) > 1:
        raise CertificateError("expected one list of extensions, got several")
    return _Fields(parts[3][1], extensions[0] if extensions else None)


def _role(extensions: bytes | None) -> str:
    if extensions is None:
        return ""
    listed = _only(extensions, _SEQUENCE, "a list of extensions")
    found = [value for oid, value in map(_extension, _elements(listed)) if oid == _ROLE_OID]
    if len(found) > 1:
        raise CertificateError(f"expected one role in the certificate, got {len(found)}")
    return _role_text(found[0]) if found else ""


def _extension(element: Element) -> tuple[bytes, bytes]:
    """The OID and the value of an extension; whether it is critical is not asked here."""
    parts = [part for part in _elements(element[1]) if part[0] != _BOOLEAN]
    if element[0] != _SEQUENCE or [tag for tag, _ in parts] != [_OID, _OCTETS]:
        raise CertificateError("expected an extension of an OID and a value, got something else")
    return parts[0][1], parts[1][1]


def _role_text(value: bytes) -> str:
    try:
        role = _only(value, _UTF8, "a role that is one UTF8String").decode("utf-8")
    except UnicodeDecodeError as error:
        raise CertificateError(f"expected a role in UTF-8, got {error.reason}") from None
    if not role.strip() or not role.isprintable():
        raise CertificateError(f"expected a role that can be printed, got {role!a}")
    return role


def _pair(validity: bytes) -> list[Element]:
    times = list(_elements(validity))
    if len(times) != 2:
        raise CertificateError(f"expected two times of validity, got {len(times)}")
    return times


def _time(tag: int, content: bytes) -> datetime:
    """RFC 5280 section 4.1.2.5: UTC to the second; two digits of a year from 50 are 19xx."""
    form, length = _TIME_FORMS.get(tag, ("", 0))
    try:
        text = content.decode("ascii")
        if len(text) != length or not text[:-1].isdigit():
            raise ValueError
        if tag == _UTC_TIME:
            text, form = ("19" if text[:2] >= "50" else "20") + text, _TIME_FORMS[_TIME][0]
        return datetime.strptime(text, form).replace(tzinfo=UTC)
    except ValueError:
        raise CertificateError("expected a time of validity, got something else") from None


def _only(data: bytes, wanted: int, what: str) -> bytes:
    """The content of the one element that `data` holds."""
    elements = list(_elements(data))
    if len(elements) != 1 or elements[0][0] != wanted:
        tags = " ".join(f"{tag:02X}" for tag, _ in elements[:8]) or "none"
        raise CertificateError(f"expected {what}, got elements with the tags {tags}")
    return elements[0][1]


def _elements(data: bytes) -> Iterator[Element]:
    """The elements that follow one another; DER knows definite lengths only."""
    position = 0
    while position < len(data):
        tag, start, end = _header(data, position)
        if end > len(data):
            raise CertificateError("expected a whole certificate, got one cut short")
        yield tag, data[start:end]
        position = end


def _header(data: bytes, position: int) -> tuple[int, int, int]:
    """Tag, first byte of the content and the byte after it."""
    tag, start = data[position], position + 2
    if start > len(data) or tag & 0x1F == 0x1F:
        raise CertificateError("expected a whole certificate, got one cut short")
    length = data[position + 1]
    if length & 0x80:
        size = length & 0x7F
        if not 1 <= size <= _MAX_LENGTH_BYTES or start + size > len(data):
            raise CertificateError("expected a length as DER writes it, got another")
        length, start = int.from_bytes(data[start : start + size], "big"), start + size
    return tag, start, start + length
