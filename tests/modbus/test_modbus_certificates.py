"""The role and the validity of certificates, made by the library `cryptography`.

The role's OID and form: Modbus/TCP Security v36 (one UTF8String under
1.3.6.1.4.1.50316.802.1). Structure and times: RFC 5280 sections 4.1, 4.1.2.5 and 4.2.
"""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import NameOID
from hypothesis import given
from hypothesis import strategies as st

from softctl.modbus.certificates import ROLE_OID, CertificateError, read_certificate

KEY = ec.generate_private_key(ec.SECP256R1())
NAME = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "test")])
OTHER_OID = ROLE_OID[:-1] + "2"
BEGIN, END = datetime(2020, 2, 29, 1, 2, 3, tzinfo=UTC), datetime(2049, 12, 31, tzinfo=UTC)


def utf8(role: str) -> bytes:
    text = role.encode()
    assert len(text) < 128
    return bytes((0x0C, len(text))) + text


def certificate(
    *extensions: tuple[str, bytes],
    critical: bool = False,
    begin: datetime = BEGIN,
    end: datetime = END,
) -> bytes:
    """A self-signed certificate in DER with these extensions."""
    builder = (
        x509.CertificateBuilder()
        .subject_name(NAME)
        .issuer_name(NAME)
        .public_key(KEY.public_key())
        .serial_number(0x8000_0000_0000)
        .not_valid_before(begin)
        .not_valid_after(end)
    )
    for oid, value in extensions:
        extension = x509.UnrecognizedExtension(x509.ObjectIdentifier(oid), value)
        builder = builder.add_extension(extension, critical)
    return builder.sign(KEY, hashes.SHA256()).public_bytes(Encoding.DER)


def doubled(first: str, second: str) -> bytes:
    """Two role extensions; no library makes them, so the second's OID is mended in place."""
    der = certificate((ROLE_OID, utf8(first)), (OTHER_OID, utf8(second)))
    oid = bytes.fromhex("06 0b 2b06010401 83890c 8622 02")
    assert der.count(oid) == 1
    return der.replace(oid, oid[:-1] + b"\x01")


ROLES = st.text(min_size=1, max_size=30).filter(
    lambda text: text.isprintable() and text.strip() != "" and len(text.encode()) < 128
)


@given(ROLES)
def test_the_role_is_the_one_that_went_in(role: str) -> None:
    """Whatever text of UTF-8 the role is, it is read back to the letter."""
    der = certificate(("1.2.3.4", b"\x05\x00"), (ROLE_OID, utf8(role)), ("2.5.29.99", b"\x04\x00"))
    assert read_certificate(der).role == role


def test_a_long_role_has_a_long_length() -> None:
    """X.690 section 8.1.3.5: from 128 bytes on a length has bytes of its own."""
    role = "r" * 300
    value = b"\x0c\x82" + (300).to_bytes(2, "big") + role.encode()
    assert read_certificate(certificate((ROLE_OID, value))).role == role


@pytest.mark.parametrize("critical", [True, False])
def test_a_critical_role_is_still_a_role(critical: bool) -> None:
    """RFC 5280 section 4.2: the mark stands between OID and value."""
    assert read_certificate(certificate((ROLE_OID, utf8("a")), critical=critical)).role == "a"


def test_no_role_is_the_null_role() -> None:
    """Modbus/TCP Security v36: no role is no error; the authorisation decides."""
    assert read_certificate(certificate()).role == ""
    assert read_certificate(certificate((OTHER_OID, utf8("a")))).role == ""


def test_two_roles_are_none_to_trust() -> None:
    """Modbus/TCP Security v36: exactly one."""
    with pytest.raises(CertificateError, match="expected one role in the certificate, got 2"):
        read_certificate(doubled("fitter", "onlooker"))


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (b"", "one UTF8String, got elements with the tags none"),
        (utf8("a") + utf8("b"), "got elements with the tags 0C 0C"),
        (b"\x30\x03" + utf8("a"), "tags 30"),  # a sequence of one role
        (b"\x13\x01a", "tags 13"),  # a PrintableString
        (b"a", "cut short"),
        (b"\x0c\x05a", "cut short"),
        (b"\x0c\x80a\x00\x00", "as DER writes it"),  # BER's indefinite length
        (b"\x0c\x84\x00\x00\x00\x01a", "as DER writes it"),
        (b"\x0c\x02\xc3\x28", "in UTF-8"),
        (b"\x0c\x00", "can be printed, got ''"),
        (b"\x0c\x01 ", "can be printed"),
        (b"\x0c\x05a\nb\x1b[", "can be printed, got 'a\\\\nb"),
        (b"\x1f\x01a", "cut short"),
    ],
)
def test_a_role_of_another_form_is_refused(value: bytes, words: str) -> None:
    """Only one UTF8String is a role; what cannot be printed is refused by our own rule."""
    with pytest.raises(CertificateError, match=words):
        read_certificate(certificate((ROLE_OID, value)))


@pytest.mark.parametrize(
    ("begin", "end"),
    [
        (BEGIN, END),
        (datetime(1950, 1, 1, tzinfo=UTC), datetime(2050, 1, 1, tzinfo=UTC)),
        (datetime(1999, 12, 31, 23, 59, 59, tzinfo=UTC), datetime(9999, 12, 31, tzinfo=UTC)),
    ],
)
def test_validity_is_what_the_library_says(begin: datetime, end: datetime) -> None:
    """UTCTime until 2049, GeneralizedTime from 2050 on (RFC 5280 section 4.1.2.5)."""
    der = certificate(begin=begin, end=end)
    theirs = x509.load_der_x509_certificate(der)
    ours = read_certificate(der)
    assert (ours.not_before, ours.not_after) == (begin, end)
    assert (theirs.not_valid_before_utc, theirs.not_valid_after_utc) == (begin, end)


GOOD = certificate((ROLE_OID, utf8("fitter")))


# From the front, and from the end: the length of a signature differs from run to run.
@pytest.mark.parametrize("size", [*range(60), *range(-1, -246, -7)])
def test_a_certificate_cut_short_is_refused(size: int) -> None:
    """No length is trusted beyond the bytes that came."""
    with pytest.raises(CertificateError):
        read_certificate(GOOD[:size])


@given(st.integers(0, len(GOOD) - 1), st.integers(1, 255))
def test_one_spoilt_byte_raises_nothing_else(position: int, change: int) -> None:
    """Any change gives a certificate or a CertificateError, never another exception."""
    spoilt = bytearray(GOOD)
    spoilt[position] ^= change
    with contextlib.suppress(CertificateError):
        read_certificate(bytes(spoilt))


@given(st.binary(max_size=200))
def test_garbage_is_no_certificate(data: bytes) -> None:
    """Random bytes are refused, and with our own error."""
    with pytest.raises(CertificateError):
        read_certificate(data)
