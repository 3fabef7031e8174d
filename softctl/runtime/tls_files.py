"""The ssl contexts of a machine's servers and of its controller, from the files it names.

Modbus/TCP Security v36: TLS from 1.2 on and never below, certificates on both sides, at
least TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256, and the curve P-256 where keys are elliptic.
Every file is looked at before the ssl module gets it, since that one says only that
something is wrong, and asks at the terminal for pass phrases.
"""

from __future__ import annotations

import re
import ssl
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, NoReturn

from softctl.errors import Place, Problem, ProblemsError, SoftctlError
from softctl.machine import Endpoint, KeyFiles, Machine, MqttBroker, Scalar, Security
from softctl.modbus.certificates import Certificate, CertificateError, read_certificate
from softctl.runtime.tls_errors import explain_tls_error

CIPHERS: Final = "ECDHE+AESGCM"
"""TLS 1.2 suites: the one that the specification requires, its ECDSA twin and both with
AES 256. Forward secrecy and authenticated encryption in all; nothing without encryption,
which the specification would allow. TLS 1.3 has only such suites."""

_PEM: Final = re.compile(r"-----BEGIN CERTIFICATE-----\s[A-Za-z0-9+/=\s]+-----END CERTIFICATE-----")
_KEY: Final = re.compile(r"-----BEGIN (?:[A-Z]+ )?PRIVATE KEY-----")
_LOCKED: Final = re.compile(r"BEGIN ENCRYPTED PRIVATE KEY|Proc-Type: 4,ENCRYPTED")
_OTHERS_MAY_READ: Final = 0o044
_ADVICE: Final = "`softctl certs DIR` makes a set for tests"


@dataclass(frozen=True, slots=True)
class ClientTls:
    """How a client speaks TLS, and the name that the server's certificate has to show.

    An empty name stands for the host that is connected to.
    """

    context: ssl.SSLContext
    server_name: str = ""


def server_tls(endpoint: Endpoint, folder: Path) -> ssl.SSLContext | None:
    """The context of a server, or None where the machine file asks for no TLS.

    Raises:
        ProblemsError: a file is missing, is something else, does not go with the others or
            has expired; with the place in the machine file that names it.
    """
    security = endpoint.security
    if security is None:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.verify_mode = ssl.CERT_REQUIRED
    return _load(context, security.own, security.authority, folder)


def controller_tls(endpoint: Endpoint, folder: Path) -> ClientTls | None:
    """How the controller speaks to a field, or None where that is in the clear.

    Raises:
        ProblemsError: as for `server_tls`, or when the certificate's role is another one
            than the machine file says.
    """
    security = endpoint.security
    if security is None or security.controller is None:
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    _load(context, security.controller, security.authority, folder)
    _require_role(security, security.controller, folder)
    return ClientTls(context, security.server_name)


def hmi_tls(security: Security, own: KeyFiles, folder: Path) -> ClientTls:
    """How a client with these files speaks to the HMI server; raises ProblemsError."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    return ClientTls(_load(context, own, security.authority, folder))


def broker_tls(broker: MqttBroker, folder: Path) -> ssl.SSLContext | None:
    """How to speak to an MQTT broker, or None where that is in the clear.

    Without an authority it has to be one that the system trusts. Raises ProblemsError as
    `server_tls` does.
    """
    if not broker.has_tls:
        return None
    if broker.authority is None:
        context = ssl.create_default_context()
    else:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        _load_authority(context, broker.authority, folder)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if broker.own is not None:
        _load_own(context, broker.own, folder)
    return context


def require_tls(endpoint: Endpoint, tls: ssl.SSLContext | ClientTls | None) -> None:
    """Raise SoftctlError where a machine that asks for TLS would speak in the clear."""
    if (endpoint.security is None) is not (tls is None):
        wanted, got = ("TLS", "none") if tls is None else ("no TLS", "some")
        raise SoftctlError(f"expected {wanted}, as the machine file says, got {got}")


def tls_problems(machine: Machine, folder: Path) -> Iterator[Problem]:
    """What would keep the machine's servers from starting, and keys that others may read.

    All are warnings: the certificates of a machine folder are often made later, or
    elsewhere, and are no part of the machine.
    """
    makers: tuple[tuple[Endpoint, Callable[[Endpoint, Path], object]], ...] = (
        (machine.field, server_tls),
        (machine.field, controller_tls),
        (machine.hmi, server_tls),
    )
    for endpoint, make in makers:
        try:
            make(endpoint, folder)
        except ProblemsError as error:
            for problem in error.problems:
                yield Problem(problem.message, problem.place, "warning", hint=problem.hint)
    for endpoint in (machine.field, machine.hmi):
        for key in _keys(endpoint.security):
            yield from _open_key(key, folder)


def _keys(security: Security | None) -> Iterator[Scalar]:
    for files in (security.own, security.controller) if security is not None else ():
        if files is not None:
            yield files.key


def _open_key(key: Scalar, folder: Path) -> Iterator[Problem]:
    path = folder / str(key.value)
    if path.is_file() and path.stat().st_mode & _OTHERS_MAY_READ:
        yield Problem(
            f"expected a private key that only its owner can read, got {path} with mode "
            f"{path.stat().st_mode & 0o777:04o}",
            key.place,
            "warning",
            hint=f"chmod 600 {path}",
        )


def _load(
    context: ssl.SSLContext, own: KeyFiles, authority: Scalar, folder: Path
) -> ssl.SSLContext:
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.options |= ssl.OP_NO_RENEGOTIATION
    context.set_ciphers(CIPHERS)
    _load_own(context, own, folder)
    _load_authority(context, authority, folder)
    return context


def _load_own(context: ssl.SSLContext, own: KeyFiles, folder: Path) -> None:
    certificate = _certificates(own.certificate, folder)[0]
    _require_current(certificate, own.certificate, folder)
    text = _read(own.key, folder)
    if not _KEY.search(text):
        _fail(f"expected a private key in PEM, got {_what(text)} in", own.key, folder)
    if _LOCKED.search(text):
        _fail("expected a private key without a pass phrase, got one with it in", own.key, folder)
    paths = folder / str(own.certificate.value), folder / str(own.key.value)
    try:
        context.load_cert_chain(*paths, password=_no_pass_phrase)
    except ssl.SSLError as error:
        if error.reason == "KEY_VALUES_MISMATCH":
            got = f"the private key of {paths[0]}, got another one in"
        else:
            got = f"a certificate and its key, got what TLS refuses ({explain_tls_error(error)}) in"
        _fail(f"expected {got}", own.key, folder)


def _load_authority(context: ssl.SSLContext, authority: Scalar, folder: Path) -> None:
    for certificate in _certificates(authority, folder):
        _require_current(certificate, authority, folder)
    try:
        context.load_verify_locations(cadata=_read(authority, folder))
    except ssl.SSLError as error:
        got = explain_tls_error(error)
        _fail(
            f"expected an authority's certificate, got what TLS refuses ({got}) in",
            authority,
            folder,
        )
    if not context.cert_store_stats()["x509_ca"]:
        _fail(
            "expected an authority's certificate, got one that may sign no other in",
            authority,
            folder,
        )


def _require_role(security: Security, files: KeyFiles, folder: Path) -> None:
    role = _certificates(files.certificate, folder)[0].role
    if role != security.controller_role:
        wanted = f"the role '{security.controller_role}'" if security.controller_role else "no role"
        got = f"'{role}'" if role else "none"
        _fail(
            f"expected {wanted} in the controller's certificate, got {got} in",
            files.certificate,
            folder,
        )


def _certificates(scalar: Scalar, folder: Path) -> list[Certificate]:
    """Every certificate of a PEM file; there is at least one."""
    text = _read(scalar, folder)
    blocks = _PEM.findall(text)
    if not blocks:
        _fail(f"expected a certificate in PEM, got {_what(text)} in", scalar, folder)
    try:
        return [read_certificate(ssl.PEM_cert_to_DER_cert(block)) for block in blocks]
    except CertificateError as error:
        _fail(f"{error}, in", scalar, folder)
    except ValueError:
        _fail("expected a certificate in PEM, got text that is no base64 in", scalar, folder)


def _require_current(certificate: Certificate, scalar: Scalar, folder: Path) -> None:
    now = datetime.now(UTC)
    if now > certificate.not_after:
        got = f"one that expired on {certificate.not_after:%Y-%m-%d %H:%M:%S} UTC, in"
    elif now < certificate.not_before:
        got = f"one that begins on {certificate.not_before:%Y-%m-%d %H:%M:%S} UTC, in"
    else:
        return
    _fail(f"expected a certificate that is valid now, got {got}", scalar, folder)


def _what(text: str) -> str:
    """What a file seems to be instead."""
    if _KEY.search(text) or _LOCKED.search(text):
        return "a private key"
    if _PEM.search(text):
        return "a certificate"
    return "something else" if text.strip() else "nothing"


def _read(scalar: Scalar, folder: Path) -> str:
    path = folder / str(scalar.value)
    try:
        return path.read_text(encoding="ascii", errors="replace")
    except FileNotFoundError:
        problem = f"expected a file {path}, got none"
    except OSError as error:
        problem = f"expected a file that can be read, got {error.strerror}: {path}"
    raise ProblemsError([Problem(problem, scalar.place, hint=_ADVICE)])


def _no_pass_phrase() -> NoReturn:
    raise ssl.SSLError(1, "the key has a pass phrase")


def _fail(message: str, scalar: Scalar, folder: Path) -> NoReturn:
    place: Place = scalar.place
    raise ProblemsError([Problem(f"{message} {folder / str(scalar.value)}", place)])
