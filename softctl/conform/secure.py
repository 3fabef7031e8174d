"""Modbus/TCP Security: TLS versions, suites, certificates, and what a role may not do.

The specification is cited by its subjects, since its sections are numbered differently
from one version to the next.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

from softctl.conform import judge, pdus
from softctl.conform.cases import SEC, TLS, Case, Play
from softctl.conform.site import Range, Secured
from softctl.conform.steps import (
    Farewell,
    Handshake,
    Hear,
    Heard,
    Hello,
    NotApplicable,
    NotSupported,
    Plain,
    Raw,
    Script,
    Send,
    Settle,
    Shake,
    Show,
    Unmet,
)
from softctl.conform.talk import Talk
from softctl.conform.wire import hex_text
from softctl.values.tables import Table

GROUP = "tls"

REQUIRED_SUITE = "ECDHE-RSA-AES128-GCM-SHA256"
ELLIPTIC_SUITE = "ECDHE-ECDSA-AES128-GCM-SHA256"
ANONYMOUS_SUITES = "aNULL:@SECLEVEL=0"
CURVE = "prime256v1"
"""P-256 by OpenSSL's name."""

_VERSIONS = f"{SEC}, TLS 1.2 or later, never negotiated down"
_MUTUAL = f"{SEC}, mutual authentication; {TLS}, 7.2.2 (fatal alert, connection closed)"
_SUITES = f"{SEC}, cipher suites"
_CURVES = f"{SEC}, P-256 where keys are elliptic"
_ROLE = f"{SEC}, exactly one role, a UTF8String under 1.3.6.1.4.1.50316.802.1"
_NO_ROLE = f"{SEC}, no role: the NULL role goes to the authorisation step"
_DENIED = f"{SEC}, not authorised: exception 01"

_RSA_KEY = bytes.fromhex("06 09 2A 86 48 86 F7 0D 01 01 01")
_ELLIPTIC_KEY = bytes.fromhex("06 07 2A 86 48 CE 3D 02 01")
_P256 = bytes.fromhex("06 08 2A 86 48 CE 3D 03 01 07")
"""Object identifiers in DER as they stand in a certificate's public key (RFC 3279, RFC 5480)."""

_OPTIONS = {
    Table.COILS: "coils",
    Table.DISCRETE_INPUTS: "discrete",
    Table.INPUT_REGISTERS: "input",
    Table.HOLDING_REGISTERS: "holding",
}
_SPOILT_RECORD = bytes.fromhex("17 03 03 00 20") + bytes(32)


def cases() -> Iterator[Case]:
    """Every case about TLS, certificates and roles."""
    yield from _version_cases()
    yield from _certificate_cases()
    yield from _suite_cases()
    yield from _stream_cases()
    yield from _role_cases()


def _case(name: str, title: str, clause: str, play: Play) -> Case:
    return Case(f"tls-{name}", GROUP, title, clause, (), play)


def _dashed(version: str) -> str:
    return version.replace(".", "-")


def _version_cases() -> Iterator[Case]:
    yield _case(
        "version-1-2",
        "A client that has TLS 1.2 and a certificate is served",
        _VERSIONS,
        partial(_served, Hello()),
    )
    yield _case(
        "version-1-3",
        "A client that has only TLS 1.3 is served, or told so by an alert",
        _VERSIONS,
        _newest,
    )
    yield _case(
        "version-highest",
        "A client that has TLS 1.0, 1.1 and 1.2 gets 1.2",
        _VERSIONS,
        _highest,
    )
    for version in ("1.0", "1.1"):
        yield _case(
            f"version-{_dashed(version)}-refused",
            f"A client that has only TLS {version} gets a fatal alert and is closed",
            f"{_VERSIONS}; {TLS}, E.1",
            partial(_turned_away, Hello(lowest=version, highest=version)),
        )


def _certificate_cases() -> Iterator[Case]:
    for version in ("1.2", "1.3"):
        yield _case(
            f"client-none-{_dashed(version)}",
            f"A client without a certificate gets a fatal alert and is closed (TLS {version})",
            f"{SEC}, no client certificate: fatal alert and close",
            partial(_turned_away, Hello(Show.NOTHING, version, version)),
        )
    rows = {
        Show.STRANGER: "of an authority that the server does not know",
        Show.SELF_SIGNED: "that nobody but the client itself has signed",
        Show.FORGED: "that only names the right authority, and was signed by another key",
        Show.EXPIRED: "that has expired",
        Show.NOT_YET: "that is not valid yet",
    }
    for show, words in rows.items():
        yield _case(
            f"client-{show.value}",
            f"A client with a certificate {words} gets a fatal alert and is closed",
            _MUTUAL,
            partial(_turned_away, Hello(show)),
        )


def _suite_cases() -> Iterator[Case]:
    yield _case(
        "cipher-required",
        "A client that has only TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256 is served",
        _SUITES,
        partial(_suite, REQUIRED_SUITE, _RSA_KEY),
    )
    yield _case(
        "cipher-elliptic",
        "A client that has only TLS_ECDHE_ECDSA_WITH_AES_128_GCM_SHA256 is served",
        _CURVES,
        partial(_suite, ELLIPTIC_SUITE, _ELLIPTIC_KEY),
    )
    yield _case(
        "cipher-anonymous",
        "A client that has only suites without certificates is refused",
        f"{SEC}, mutual authentication",
        partial(_turned_away, Hello(Show.NOTHING, ciphers=ANONYMOUS_SUITES)),
    )
    yield _case(
        "curve-p256",
        "A client that has only the curve P-256 is served",
        _CURVES,
        partial(_served, Hello(curve=CURVE)),
    )
    yield _case(
        "server-key",
        "The key in the server's certificate is RSA, or elliptic and on P-256",
        f"{_SUITES}; P-256 where keys are elliptic",
        _server_key,
    )


def _stream_cases() -> Iterator[Case]:
    yield _case(
        "plain",
        "A client that does not speak TLS gets no Modbus answer",
        f"{SEC}, every connection is inside TLS",
        _plain,
    )
    yield _case(
        "record-spoilt",
        "After a record that cannot be decrypted comes an alert, and nothing is answered",
        f"{TLS}, 7.2.2 (bad_record_mac is always fatal)",
        _spoilt,
    )
    yield _case(
        "farewell",
        "A close_notify is answered by one before the connection is closed",
        f"{TLS}, 7.2.1",
        _farewell,
    )


def _role_cases() -> Iterator[Case]:
    title = "A client without a role is answered, or refused with exception 01, but not cut off"
    yield _case("role-absent", title, _NO_ROLE, _no_role)
    title = "A certificate with two roles gives no rights"
    yield _case("role-two", title, _ROLE, partial(_untrusted, Show.TWO_ROLES))
    title = "A role that is a PrintableString gives no rights"
    yield _case("role-other-string", title, _ROLE, partial(_untrusted, Show.OTHER_STRING))
    for table, word in _OPTIONS.items():
        title = f"Reading {table.value} that the role may not read is exception 01"
        yield _case(f"role-read-{word}", title, _DENIED, partial(_read_denied, table))
    for name, (table, build) in _WRITES.items():
        code = int(name)
        title = f"Function {code:02d} where the role may not write is exception 01"
        yield _case(f"role-write-fc{name}", title, _DENIED, partial(_write_denied, table, build))
    title = "Function 23 that may write but not read is exception 01 and has not written"
    yield _case("role-write-then-read", title, _DENIED, _write_then_read)
    title = "After a refusal the same connection is served as before"
    yield _case("role-goes-on", title, _DENIED, _goes_on)


_WRITES: dict[str, tuple[Table, Callable[[int, int], bytes]]] = {
    "05": (Table.COILS, lambda address, value: pdus.write_coil(address, 0xFF00 if value else 0)),
    "06": (Table.HOLDING_REGISTERS, pdus.write_register),
    "15": (Table.COILS, lambda address, value: pdus.write_coils(address, [value])),
    "16": (Table.HOLDING_REGISTERS, lambda address, value: pdus.write_registers(address, [value])),
    "22": (Table.HOLDING_REGISTERS, lambda address, _: pdus.mask_write(address, 0xFFFF, 0)),
    "23": (
        Table.HOLDING_REGISTERS,
        lambda address, value: pdus.read_write(address, 1, address, [value]),
    ),
}
"""Requests that leave the value as it is, so that a server that obeys changes nothing."""


# Handshakes


def _secured(talk: Talk) -> Secured:
    if talk.site.secured is None:
        raise NotApplicable("the server is tested in the clear: needs --tls")
    return talk.site.secured


def _shake(talk: Talk, hello: Hello, line: int = 0) -> Script[Heard]:
    """Shake hands as far as it goes; `NotApplicable` where this side cannot."""
    missing = _secured(talk).missing.get(hello.show)
    if missing is not None:
        raise NotApplicable(missing)
    heard = yield Shake(line, hello)
    if heard.unable:
        raise NotApplicable(f"this computer's TLS cannot offer it: {heard.unable}")
    return heard


def _shaken(talk: Talk, hello: Hello, line: int = 0) -> Script[Handshake]:
    heard = yield from _shake(talk, hello, line)
    if heard.tls is None:
        raise Unmet("a handshake that succeeds", _ending(heard))
    return heard.tls


def _ending(heard: Heard) -> str:
    if heard.raw:
        return f"an answer: {hex_text(heard.raw)}"
    if heard.alert:
        return f"the alert “{heard.alert}”" + ("" if heard.is_closed else " and an open connection")
    return "a closed connection without an alert" if heard.is_closed else "nothing in time"


def _served(hello: Hello, talk: Talk) -> Script[None]:
    yield from _shaken(talk, hello)
    yield from talk.probe(0)


def _newest(talk: Talk) -> Script[None]:
    heard = yield from _shake(talk, Hello(lowest="1.3", highest="1.3"))
    if heard.tls is None and heard.alert:
        raise NotSupported(f"the server has no TLS 1.3: alert “{heard.alert}”")
    if heard.tls is None:
        raise Unmet("a handshake, or an alert", _ending(heard))
    yield from talk.probe(0)


def _highest(talk: Talk) -> Script[None]:
    tls = yield from _shaken(talk, Hello(lowest="1.0"))
    if tls.version != "TLSv1.2":
        raise Unmet("TLS 1.2, which both have", tls.version)
    yield from talk.probe(0)


def _asked(talk: Talk, hello: Hello) -> Script[Heard]:
    """What becomes of a right request; with TLS 1.3 a client is judged only after its part."""
    heard = yield from _shake(talk, hello)
    if heard.tls is None:
        return heard
    if heard.tls.version == "TLSv1.3":
        # A request that crosses an alert can make TCP throw the alert away.
        heard = yield Settle(0)
        if heard.is_closed:
            return heard
        if heard.alert:
            return (yield Hear(0, 1))
    yield Send(0, talk.frame(talk.harmless()))
    return (yield Hear(0, 1))


def _turned_away(hello: Hello, talk: Talk) -> Script[None]:
    heard = yield from _asked(talk, hello)
    if hello.lowest == "1.3" and "version" in heard.alert:
        raise NotSupported("the server has no TLS 1.3")
    if heard.raw or not heard.alert or not heard.is_closed:
        raise Unmet("a fatal alert and the connection closed", _ending(heard))
    yield from talk.require_served(1)


def _suite(suite: str, key: bytes, talk: Talk) -> Script[None]:
    """A server without a key of that kind cannot have the suite."""
    heard = yield from _shake(talk, Hello(ciphers=suite))
    if heard.tls is None:
        shown = yield from _shaken(talk, Hello(), line=1)
        if key not in shown.certificate:
            kind = "RSA" if key == _RSA_KEY else "elliptic"
            raise NotApplicable(f"the key of the server's certificate is not {kind}")
        raise Unmet("a handshake that succeeds", _ending(heard))
    yield from talk.probe(0)


def _server_key(talk: Talk) -> Script[None]:
    certificate = (yield from _shaken(talk, Hello())).certificate
    if _ELLIPTIC_KEY in certificate and _P256 not in certificate:
        raise Unmet("an elliptic key on P-256", "one on another curve")
    if _ELLIPTIC_KEY not in certificate and _RSA_KEY not in certificate:
        raise Unmet("a key that is RSA or elliptic", "another kind")


def _plain(talk: Talk) -> Script[None]:
    _secured(talk)
    yield Plain(0)
    yield Send(0, talk.frame(talk.harmless()))
    heard = yield Settle(0)
    if heard.raw and heard.raw[0] != 0x15:
        raise Unmet("a TLS alert, a closed connection or nothing", hex_text(heard.raw))
    yield from talk.require_served(1)


def _spoilt(talk: Talk) -> Script[None]:
    yield from _shaken(talk, Hello())
    yield from talk.probe(0)
    yield Raw(0, _SPOILT_RECORD)
    heard = yield Hear(0, 1)
    if heard.raw or not heard.alert or not heard.is_closed:
        raise Unmet("a fatal alert and the connection closed", _ending(heard))
    yield from talk.require_served(1)


def _farewell(talk: Talk) -> Script[None]:
    yield from _shaken(talk, Hello())
    yield from talk.probe(0)
    heard = yield Farewell(0)
    if not heard.alert:
        raise Unmet("a close_notify", _ending(heard))


# Roles


def _no_role(talk: Talk) -> Script[None]:
    request = talk.harmless()
    heard = yield from _asked(talk, Hello(Show.NO_ROLE))
    if not heard.replies:
        raise Unmet("an answer or exception 01", _ending(heard))
    if not judge.is_exception(heard.replies[0].pdu, 0x01):
        talk.require_harmless(heard.replies[0].pdu, request)


def _untrusted(show: Show, talk: Talk) -> Script[None]:
    """Turned away at the handshake or after it, or refused what the own role may do."""
    yield from talk.probe(1)
    heard = yield from _asked(talk, Hello(show))
    refused = heard.replies and judge.is_exception(heard.replies[0].pdu, 0x01)
    if not refused and (heard.raw or not heard.is_closed):
        raise Unmet("an end of the connection, or exception 01", _ending(heard))


def _denied(ranges: tuple[Range, ...] | None, option: str, what: str) -> int:
    if not ranges:
        raise NotApplicable(
            f"needs {option}:FIRST-LAST, addresses that the role of --tls-cert may not {what}"
        )
    return ranges[0].first


def _no_read(talk: Talk, table: Table) -> int:
    option = f"--tls-no-read {_OPTIONS[table]}"
    return _denied(_secured(talk).no_read.get(table), option, "read")


def _no_write(talk: Talk, table: Table) -> int:
    option = f"--tls-no-write {_OPTIONS[table]}"
    return _denied(_secured(talk).no_write.get(table), option, "write")


def _read_denied(table: Table, talk: Talk) -> Script[None]:
    address = _no_read(talk, table)
    yield from talk.refuse(pdus.read(table.read_function, address, 1), 0x01)


def _write_denied(table: Table, build: Callable[[int, int], bytes], talk: Talk) -> Script[None]:
    address = _no_write(talk, table)
    reply = yield from talk.ask(pdus.read(table.read_function, address, 1))
    if judge.is_exception(reply):
        raise NotApplicable(
            f"{table.value} {address} cannot be read, so that its own value cannot be written"
        )
    require = judge.require_bits if table.is_bits else judge.require_registers
    (value,) = require(reply, table.read_function, 1)
    yield from talk.refuse(build(address, value), 0x01)


def _write_then_read(talk: Talk) -> Script[None]:
    table = Table.HOLDING_REGISTERS
    denied, address = _no_read(talk, table), talk.writable(table)
    yield from talk.write(table, address, [0x1234])
    yield from talk.refuse(pdus.read_write(denied, 1, address, [0x4321]), 0x01)
    value = yield from talk.read(table, address, 1, line=1)
    judge.require_values(value, [0x1234], f"{table.value} from {address}:")


def _goes_on(talk: Talk) -> Script[None]:
    secured = _secured(talk)
    given = next(iter(secured.no_read), None) or next(iter(secured.no_write), None)
    if given is None:
        raise NotApplicable("needs --tls-no-read or --tls-no-write")
    if given in secured.no_read:
        yield from _read_denied(given, talk)
    else:
        build = next(build for table, build in _WRITES.values() if table is given)
        yield from _write_denied(given, build, talk)
    yield from talk.probe(0)
