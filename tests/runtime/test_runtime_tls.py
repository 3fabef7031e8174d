"""Modbus/TCP Security over real sockets: who gets in, and what each role may do.

Clauses are of Modbus/TCP Security v36 unless another source stands beside; the names of
alerts are OpenSSL's for those of RFC 5246 section 7.2 and RFC 8446 section 6.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import warnings
from collections.abc import AsyncIterator, Callable, Coroutine
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any

import pytest
from pymodbus.client import AsyncModbusTlsClient
from tls_peers import (
    Session,
    alert_of,
    ask,
    dial,
    exchange,
    limited,
    raw_exchange,
    receive,
)
from tls_pki import Pair, Pki, utf8

from softctl.errors import Place
from softctl.machine import Endpoint, KeyFiles, Rights, Scalar, Security
from softctl.modbus import Bank, Device, Policy, Server
from softctl.modbus.clients import parse_networks
from softctl.modbus.fault_scope import Scope
from softctl.modbus.faults import Delay, Faults, Reset, Rule
from softctl.modbus.roles import Bars, RoleTable
from softctl.runtime import tls_gate
from softctl.runtime.field_client import FieldClient, LinkError
from softctl.runtime.modbus_server import ModbusServer
from softctl.runtime.tls_files import ClientTls, server_tls
from softctl.values.registers import WordOrder
from softctl.values.tables import Table

pytestmark = pytest.mark.network

HOLDING, COILS = Table.HOLDING_REGISTERS, Table.COILS
V12, V13 = ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3
READ, READ_FAR, WRITE, WRITE_FAR = "03 0000 0002", "03 0004 0001", "06 0000 0007", "06 0004 0007"

TABLE = RoleTable(
    {
        "fitter": Bars(read=(), write=()),
        "operator": Bars(read=(), write=((HOLDING, 4, 1), (COILS, 0, 8))),
        "onlooker": Bars(read=((HOLDING, 4, 1),)),
    },
    no_role=Bars(read=((HOLDING, 0, 2),)),
)


@pytest.fixture(scope="session")
def pki(tmp_path_factory: pytest.TempPathFactory) -> Pki:
    return Pki(tmp_path_factory.mktemp("pki") / "ours")


@pytest.fixture(scope="session")
def strangers(tmp_path_factory: pytest.TempPathFactory) -> Pki:
    return Pki(tmp_path_factory.mktemp("pki") / "strangers")


@pytest.fixture(scope="session")
def hmi(pki: Pki) -> Pair:
    return pki.issue("hmi", for_server=True)


def secured(pki: Pki, own: Pair, controller: Pair | None = None) -> Endpoint:
    """The endpoint as a machine file would describe it."""

    def scalar(path: Path) -> Scalar:
        return Scalar(str(path), Place("machine.yaml", 1, 1))

    def files(pair: Pair) -> KeyFiles:
        return KeyFiles(scalar(pair.certificate), scalar(pair.key))

    security = Security(
        own=files(own),
        authority=scalar(pki.authority),
        roles={},
        no_role=Rights(),
        place=Place("machine.yaml", 1, 1),
        controller=None if controller is None else files(controller),
    )
    return Endpoint("127.0.0.1", 0, 1, WordOrder.ABCD, security)


class Running:
    """A secured server with what it told of clients that it refused."""

    def __init__(self, device: Device, policy: Policy) -> None:
        self.device = device
        self.server = ModbusServer(Server([device], policy=policy))
        self.refusals: list[str] = []
        self.port = 0

    def tell(self, event: str, **fields: object) -> None:
        assert event == "client refused"
        self.refusals.append(str(fields["reason"]))


@contextlib.asynccontextmanager
async def serving(pki: Pki, own: Pair, policy: Policy | None = None) -> AsyncIterator[Running]:
    bank = Bank({HOLDING: [(0, 6)], COILS: [(0, 8)]})
    bank.registers(HOLDING)[:] = bytes.fromhex("0102 0304 0506 0708 090a 0b0c")
    running = Running(Device(bank, permit=TABLE.permits), policy or Policy())
    context = server_tls(secured(pki, own), Path())
    _, running.port = await running.server.start("127.0.0.1", 0, context, running.tell)
    try:
        yield running
    finally:
        await running.server.close()


def _uvloop() -> Callable[[], asyncio.AbstractEventLoop]:
    return pytest.importorskip("uvloop").new_event_loop  # type: ignore[no-any-return]


@pytest.fixture(params=["asyncio", "uvloop"])
def run(request: pytest.FixtureRequest) -> Callable[[Coroutine[Any, Any, Any]], Any]:
    """Runs a coroutine on either event loop."""
    factory = _uvloop() if request.param == "uvloop" else None

    def on_loop(main: Coroutine[Any, Any, Any]) -> Any:
        with asyncio.Runner(loop_factory=factory) as runner:
            return runner.run(main)

    return on_loop


Run = Callable[[Coroutine[Any, Any, Any]], Any]


@pytest.fixture
def talk(run: Run, pki: Pki, hmi: Pair) -> Callable[..., tuple[Any, Running]]:
    """Calls a blocking client beside a running server and gives back both."""

    def with_server(client: Callable[..., Any], *arguments: Any, **options: Any) -> Any:
        async def main() -> tuple[Any, Running]:
            async with serving(pki, hmi, **options) as running:
                got = await asyncio.to_thread(client, running.port, *arguments)
                return got, running

        return run(main())

    return with_server


# Who gets in


@pytest.mark.parametrize("version", [V12, V13], ids=["1.2", "1.3"])
def test_a_client_with_a_certificate_is_served(talk: Any, pki: Pki, version: Any) -> None:
    """Mutual authentication, then Modbus/TCP as ever, in TLS 1.2 and in 1.3."""
    context = limited(pki.client(pki.issue("one", role="fitter")), version)
    got, running = talk(ask, context, READ, WRITE, READ)
    assert got == ["030401020304", "0600000007", "030400070304"]
    assert running.refusals == []


@pytest.mark.parametrize(
    ("version", "alert"),
    [(V12, "SSLV3_ALERT_HANDSHAKE_FAILURE"), (V13, "TLSV13_ALERT_CERTIFICATE_REQUIRED")],
    ids=["1.2", "1.3"],
)
def test_no_certificate_is_a_fatal_alert(talk: Any, pki: Pki, version: Any, alert: str) -> None:
    """A client without a certificate gets a fatal alert and the end of the connection."""
    got, running = talk(alert_of, limited(pki.client(), version))
    assert got == alert
    assert running.refusals == ["no client certificate"]
    assert running.server.connections == 0


def test_tls_1_1_is_not_spoken(talk: Any, pki: Pki) -> None:
    """TLS 1.2 or later, and no way to negotiate below it."""
    context = pki.client(pki.issue("old", role="fitter"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # TLS 1.1 itself is deprecated
        limited(context, ssl.TLSVersion.TLSv1_1, "ALL:@SECLEVEL=0")
    got, running = talk(alert_of, context)
    assert got == "TLSV1_ALERT_PROTOCOL_VERSION"
    assert running.refusals == ["no TLS version from 1.2 on"]


def test_a_stranger_is_refused(talk: Any, pki: Pki, strangers: Pki) -> None:
    """A certificate of an authority that the machine file does not name proves nothing."""
    stranger = strangers.issue("stranger", role="fitter")
    got, running = talk(alert_of, pki.client(stranger))
    assert got == "TLSV1_ALERT_UNKNOWN_CA"
    assert running.refusals[0].startswith("certificate refused: unable to get local issuer")


def test_an_expired_certificate_is_refused(talk: Any, pki: Pki) -> None:
    """RFC 5280 section 6.1.3: the time must lie within the validity."""
    old = pki.issue("old", role="fitter", days=1, begins=timedelta(days=-2))
    got, running = talk(alert_of, pki.client(old))
    assert got == "SSLV3_ALERT_CERTIFICATE_EXPIRED"
    assert running.refusals == ["certificate refused: certificate has expired"]


def test_a_servers_certificate_does_not_make_a_client(talk: Any, pki: Pki, hmi: Pair) -> None:
    """RFC 5280 section 4.2.1.12: the purpose in the certificate has to be clientAuth."""
    got, running = talk(alert_of, pki.client(hmi))
    assert "ALERT" in got
    assert running.refusals[0].startswith("certificate refused: unsuitable certificate purpose")


@pytest.mark.parametrize(
    ("kind", "suite"),
    [
        ("rsa", "ECDHE-RSA-AES128-GCM-SHA256"),
        ("p256", "ECDHE-ECDSA-AES128-GCM-SHA256"),
    ],
)
def test_the_suite_that_every_device_has(run: Run, tmp_path: Path, kind: str, suite: str) -> None:
    """TLS_ECDHE_RSA_WITH_AES_128_GCM_SHA256 at least; P-256 with ECDSA where keys are ECC."""
    pki = Pki(tmp_path / kind, kind)
    context = limited(pki.client(pki.issue("one", role="fitter")), V12, suite)
    context.set_ecdh_curve("prime256v1")

    def cipher(port: int) -> tuple[str, str]:
        with dial(port, context) as line:
            used = line.cipher()
            assert used is not None
            return used[0], exchange(line, bytes.fromhex(READ))

    async def main() -> tuple[str, str]:
        async with serving(pki, pki.issue("server", for_server=True)) as running:
            return await asyncio.to_thread(cipher, running.port)

    assert run(main()) == (suite, "030401020304")


@pytest.mark.parametrize(
    "suites",
    ["AES128-GCM-SHA256", "ECDHE-ECDSA-AES128-SHA256", "ECDHE-ECDSA-NULL-SHA", "aNULL"],
    ids=["no forward secrecy", "cbc", "no encryption", "anonymous"],
)
def test_weaker_suites_are_not_spoken(talk: Any, pki: Pki, suites: str) -> None:
    """What the specification allows besides (NULL encryption) is our own choice to refuse."""
    weak = limited(pki.client(pki.issue("weak", role="fitter")), V12, f"{suites}:@SECLEVEL=0")
    got, running = talk(alert_of, weak)
    assert got == "SSLV3_ALERT_HANDSHAKE_FAILURE"
    assert running.refusals == ["no cipher suite that both sides have"]


def test_a_host_that_may_not_connect_gets_no_handshake(talk: Any) -> None:
    """The allow list comes before TLS spends anything."""
    policy = Policy(allowed=parse_networks(["192.0.2.0/24"]))
    got, running = talk(raw_exchange, b"\x16\x03\x01", policy=policy)
    assert got == b""
    assert running.refusals == []


# Roles


@pytest.mark.parametrize(
    ("role", "replies"),
    [
        ("fitter", ["030401020304", "0302090a", "0600000007", "0600040007"]),
        ("operator", ["030401020304", "0302090a", "0600000007", "8601"]),
        ("onlooker", ["030401020304", "8301", "8601", "8601"]),
        ("", ["8301", "0302090a", "8601", "8601"]),
        ("unheard of", ["8301", "8301", "8601", "8601"]),
        ("Fitter", ["8301", "8301", "8601", "8601"]),
    ],
)
def test_each_role_may_do_what_the_table_says(
    talk: Any, pki: Pki, role: str, replies: list[str]
) -> None:
    """Not authorised is exception 01; the NULL role and unknown ones are decided as well."""
    pair = pki.issue(f"client {role or 'null'}", role=role)
    got, running = talk(ask, pki.client(pair), READ, READ_FAR, WRITE, WRITE_FAR)
    assert got == replies
    assert running.refusals == []


def test_a_refused_write_changes_nothing(talk: Any, pki: Pki) -> None:
    """Function 23 that may read but not write does neither."""
    pair = pki.issue("reader", role="onlooker")
    got, running = talk(
        ask, pki.client(pair), "17 0000 0001 0001 0001 02 FFFF", "0F 0000 0001 01 01"
    )
    assert got == ["9701", "8f01"]
    assert running.device.bank.registers(HOLDING)[:4].hex() == "01020304"
    assert not any(running.device.bank.bits(COILS))


def test_two_roles_are_refused(talk: Any, pki: Pki) -> None:
    """Exactly one role; the connection ends before any request is looked at."""
    pair = pki.issue_two_roles("two roles", "fitter", "onlooker")
    got, running = talk(alert_of, pki.client(pair))
    assert "03" not in got
    assert len(running.refusals) == 1
    assert "one role" in running.refusals[0] or "certificate refused" in running.refusals[0]
    assert running.server.connections == 0


@pytest.mark.parametrize(
    "value",
    [b"", b"\x13\x06fitter", utf8("fitter") + utf8("onlooker"), b"\x0c\x02\xc3\x28", b"\x0c\x09a"],
    ids=["empty", "PrintableString", "two in one", "no UTF-8", "cut short"],
)
def test_a_malformed_role_is_refused(talk: Any, pki: Pki, value: bytes) -> None:
    """A role that is not one UTF8String is none to trust, and not the NULL role either."""
    pair = pki.issue("malformed", ("1.3.6.1.4.1.50316.802.1", value))
    got, running = talk(alert_of, pki.client(pair))
    assert got == "no alert, but "
    assert len(running.refusals) == 1
    assert running.server.connections == 0


@pytest.mark.parametrize("version", [V12, V13], ids=["1.2", "1.3"])
def test_a_resumed_session_keeps_its_role(talk: Any, pki: Pki, version: Any) -> None:
    """Resumption (RFC 5246 section 7.3, RFC 8446 section 2.2) skips the certificates."""
    context = limited(pki.client(pki.issue("again", role="onlooker")), version)

    def twice(port: int) -> tuple[bool | None, list[str]]:
        session = Session()
        with dial(port, context) as line:
            exchange(line, bytes.fromhex(READ))
            session.session = line.session
        replies = ask(port, context, READ, READ_FAR, session=session)
        return session.was_reused, replies

    got, running = talk(twice)
    assert got == (True, ["030401020304", "8301"])
    assert running.refusals == []


def test_clients_are_counted_with_their_roles(run: Run, pki: Pki, hmi: Pair) -> None:
    """Whoever looks at the server's clients sees the role of each."""
    context = pki.client(pki.issue("seen", role="operator"))

    async def main() -> list[tuple[str, int, dict[int, int]]]:
        async with serving(pki, hmi) as running:
            line = await asyncio.to_thread(dial, running.port, context)
            for pdu in (READ, WRITE_FAR):
                await asyncio.to_thread(exchange, line, bytes.fromhex(pdu))
            seen = [(c.role, c.requests, c.exceptions) for c in running.server.clients]
            line.close()
            return seen

    assert run(main()) == [("operator", 2, {1: 1})]


# The wire


def test_frames_may_be_split_and_joined_in_any_way(talk: Any, pki: Pki) -> None:
    """TLS records and frames have nothing to do with each other."""
    context = pki.client(pki.issue("pieces", role="fitter"))
    frame = bytes.fromhex("0001 0000 0006 01 03 0000 0001")
    reply = bytes.fromhex("0001 0000 0005 01 03 02 0102")

    def pieces(port: int) -> bytes:
        with dial(port, context) as line:
            for byte in frame:
                line.sendall(bytes((byte,)))
            line.sendall(frame * 2000)
            return receive(line, len(reply) * 2001)

    got, running = talk(pieces)
    assert got == reply * 2001
    assert running.refusals == []


def test_a_client_that_says_farewell_gets_one(talk: Any, pki: Pki) -> None:
    """RFC 5246 section 7.2.1: each side closes with close_notify, so nothing looks cut."""
    context = pki.client(pki.issue("polite", role="fitter"))

    def farewell(port: int) -> str:
        line = dial(port, context)
        exchange(line, bytes.fromhex(READ))
        with line.unwrap() as raw:  # raises unless the server answers the close_notify
            return raw.recv(10).hex()

    assert talk(farewell)[0] == ""


@pytest.mark.parametrize(
    "data",
    [
        bytes.fromhex("0001 0000 0006 01 03 0000 0001"),
        b"GET / HTTP/1.0\r\n\r\n",
        bytes(range(256)),
        b"\x16\x03\x01\x00\x10" + b"\xff" * 16,
    ],
    ids=["Modbus", "HTTP", "bytes", "broken hello"],
)
def test_a_plain_client_gets_no_frame(talk: Any, data: bytes) -> None:
    """A client in the clear at the TLS port is told off by TLS and closed."""
    got, running = talk(raw_exchange, data)
    assert got[:1] in (b"", b"\x15")  # at most a TLS alert
    assert len(running.refusals) == 1


def test_a_tls_client_at_a_plain_port_fails_and_breaks_nothing(run: Run, pki: Pki) -> None:
    """The other way round: a hello is no Modbus, and the next client is served."""
    context = pki.client(pki.issue("lost", role="fitter"))

    async def main() -> bytes:
        server = ModbusServer(Device(Bank({HOLDING: [(0, 8)]})))
        host, port = await server.start()
        reader, writer = await asyncio.open_connection(host, port)
        with pytest.raises((OSError, TimeoutError)):
            async with asyncio.timeout(0.5):
                await asyncio.open_connection(host, port, ssl=context)
        writer.write(bytes.fromhex("0001 0000 0006 01 03 0000 0001"))
        got = await reader.readexactly(11)
        writer.close()
        await server.close()
        return got

    assert run(main())[-4:] == bytes.fromhex("03 02 0000")


def test_a_spoilt_record_ends_only_its_own_connection(talk: Any, pki: Pki) -> None:
    """A record that does not decrypt is a fatal alert (bad_record_mac), for that client."""
    context = pki.client(pki.issue("spoilt", role="fitter"))

    def spoil(port: int) -> tuple[str, list[str]]:
        with dial(port, context) as line:
            exchange(line, bytes.fromhex(READ))
            with socket.socket(fileno=line.detach()) as raw:
                raw.sendall(bytes.fromhex("17 03 03 0020") + bytes(32))
                raw.settimeout(10)
                tail = raw.recv(100)
        return tail[:1].hex(), ask(port, context, READ)

    got, running = talk(spoil)
    assert got[1] == ["030401020304"]
    assert got[0] in ("15", "17", "")  # an alert; TLS 1.3 hides it in a record
    assert len(running.refusals) == 1


def test_a_handshake_has_its_time(
    run: Run, pki: Pki, hmi: Pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A client that connects and says nothing is closed, and never was a client."""
    monkeypatch.setattr(tls_gate, "HANDSHAKE_TIMEOUT_S", 0.02)

    async def main() -> tuple[bytes, list[str]]:
        async with serving(pki, hmi) as running:
            reader, writer = await asyncio.open_connection("127.0.0.1", running.port)
            try:
                got = await reader.read()
            except ConnectionResetError:
                got = b""
            writer.close()
            return got, running.refusals

    assert run(main()) == (b"", ["no handshake within 0.02 s"])


def test_the_oldest_handshake_makes_room(
    run: Run, pki: Pki, hmi: Pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Silent connections cannot keep a good client out."""
    monkeypatch.setattr(tls_gate, "MAX_HANDSHAKES", 3)
    context = pki.client(pki.issue("good", role="fitter"))

    async def main() -> list[str]:
        async with serving(pki, hmi) as running:
            silent = [await asyncio.open_connection("127.0.0.1", running.port) for _ in range(10)]
            got = await asyncio.to_thread(ask, running.port, context, READ)
            for _, writer in silent:
                writer.close()
            return got

    assert run(main()) == ["030401020304"]


def test_delayed_answers_come_over_tls(run: Run, pki: Pki, hmi: Pair) -> None:
    """Wire faults work behind the gate as before it: a late reply, then a reset."""
    context = pki.client(pki.issue("patient", role="fitter"))

    def late(port: int) -> str:
        with dial(port, context) as line:
            first = exchange(line, bytes.fromhex("03 0000 0001"))
            with pytest.raises((ssl.SSLError, OSError, EOFError)):
                exchange(line, bytes.fromhex("03 0001 0001"))
            return first

    async def main() -> str:
        async with serving(pki, hmi) as running:
            faults = Faults(Random(1), 0)
            faults.add(Rule(Delay(1_000_000), Scope(table=HOLDING, first=0, last=0)))
            faults.add(Rule(Reset(), Scope(table=HOLDING, first=1, last=1)))
            running.server.server.faults = faults
            return await asyncio.to_thread(late, running.port)

    assert run(main()) == "03020102"


# Independent peers, and our own


def test_pymodbus_is_served(run: Run, pki: Pki, hmi: Pair) -> None:
    """An independent client reads, writes and is refused by role."""
    context = pki.client(pki.issue("pymodbus", role="operator"))

    async def main() -> list[Any]:
        async with serving(pki, hmi) as running:
            client = AsyncModbusTlsClient("127.0.0.1", port=running.port, sslctx=context, retries=0)
            assert await client.connect()
            read = await client.read_holding_registers(0, count=2)
            good = await client.write_register(1, 99)
            bad = await client.write_register(4, 99)
            client.close()
            await asyncio.sleep(0)
            return [read.registers, good.isError(), bad.exception_code]

    assert run(main()) == [[0x0102, 0x0304], False, 1]


@contextlib.asynccontextmanager
async def linked(
    port: int, tls: ClientTls | None, timeout_s: float = 5.0
) -> AsyncIterator[FieldClient]:
    client = FieldClient("127.0.0.1", port, 1, timeout_s, tls)
    try:
        yield client
    finally:
        await client.close()


def test_the_field_client_speaks_tls(run: Run, pki: Pki, hmi: Pair) -> None:
    """Our own client reads and writes, and a refusal by role is an exception with its code."""
    context = pki.client(pki.issue("controller", role="operator"))

    async def main() -> tuple[bytes, bytes]:
        async with serving(pki, hmi) as running, linked(running.port, ClientTls(context)) as client:
            await client.write(HOLDING, 0, b"\xab\xcd")
            with pytest.raises(
                LinkError, match="write 1 holding registers from 4, got exception 01"
            ):
                await client.write(HOLDING, 4, b"\0\0")
            return await client.read(HOLDING, 0, 1), await client.read(COILS, 0, 8)

    assert run(main()) == (b"\xab\xcd", bytes(8))


@pytest.mark.parametrize(
    ("trusts", "shows", "server_name", "words"),
    [
        (
            "strangers",
            "ours",
            "",
            "no connection: certificate refused: (self-signed|unable to get local)",
        ),
        ("ours", "ours", "other.example", "certificate refused: Hostname mismatch"),
        ("ours", "none", "", "alert certificate required|alert handshake failure"),
        ("ours", "strangers", "", "alert unknown ca"),
    ],
)
def test_the_field_client_says_why_it_cannot(
    run: Run,
    pki: Pki,
    strangers: Pki,
    hmi: Pair,
    trusts: str,
    shows: str,
    server_name: str,
    words: str,
) -> None:
    """An unknown authority, a wrong name and a refusal by the server are told apart."""
    pkis = {"ours": pki, "strangers": strangers}
    own = pkis[shows].issue("controller", role="fitter") if shows in pkis else None
    context = pkis[trusts].client(own)

    async def main() -> None:
        tls = ClientTls(context, server_name)
        async with serving(pki, hmi) as running, linked(running.port, tls, 0.3) as client:
            with pytest.raises(LinkError, match=words):
                await client.read(HOLDING, 0, 1)

    run(main())


def test_the_field_client_at_the_wrong_kind_of_port(run: Run, pki: Pki, hmi: Pair) -> None:
    """TLS against a plain server and the reverse are link errors, nothing worse."""
    context = pki.client(pki.issue("controller", role="fitter"))

    async def main() -> None:
        plain = ModbusServer(Device(Bank({HOLDING: [(0, 8)]})))
        _, port = await plain.start()
        async with serving(pki, hmi) as running:
            client = FieldClient("127.0.0.1", running.port, 1, 0.3)
            with pytest.raises(LinkError):
                await client.read(HOLDING, 0, 1)
            await client.close()
        client = FieldClient("127.0.0.1", port, 1, 0.1, ClientTls(context))
        with pytest.raises(LinkError, match="got no connection"):
            async with asyncio.timeout(8):
                await client.connect()
        await client.close()
        await plain.close()

    run(main())


def test_closing_the_server_ends_every_connection(run: Run, pki: Pki, hmi: Pair) -> None:
    """Clients get a farewell, handshakes in progress just end."""
    context = pki.client(pki.issue("left", role="fitter"))

    async def main() -> bytes:
        async with serving(pki, hmi) as running:
            shaking = await asyncio.open_connection("127.0.0.1", running.port)
            reader, writer = await asyncio.open_connection("127.0.0.1", running.port, ssl=context)
            writer.write(bytes.fromhex("0001 0000 0006 01 03 0000 0001"))
            await reader.readexactly(11)
            await running.server.close()
            got = await reader.read()  # an end without close_notify would raise
            writer.close()
            with contextlib.suppress(ConnectionResetError):
                assert await shaking[0].read() == b""
            shaking[1].close()
            return got

    assert run(main()) == b""


def test_context_makes_a_machines_server(pki: Pki, hmi: Pair) -> None:
    """No version below TLS 1.2, a certificate demanded, no renegotiation."""
    context = server_tls(secured(pki, hmi), Path())
    assert context is not None
    assert context.minimum_version is V12
    assert context.verify_mode is ssl.CERT_REQUIRED
    assert context.options & ssl.OP_NO_RENEGOTIATION
    assert server_tls(replace(secured(pki, hmi), security=None), Path()) is None
