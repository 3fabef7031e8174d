"""The cases about TLS: a right server passes them all, each wrong one fails just its own."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

import pytest
from conform_flaws import expand
from conform_flaws_tls import FLAWS
from conform_reference import ReferenceServer
from conform_sockets import serving
from conform_tls_servers import Papers, SecureServer, listening
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID
from pymodbus.server import ModbusTlsServer
from pymodbus.simulator import DataType, SimData, SimDevice

from softctl.cli.conform_tls import Prepared, TlsOptions
from softctl.conform import Range, Secured, Show, Verdict, Wanted, choose
from softctl.conform.ranges import parse_ranges
from softctl.conform.report import Report
from softctl.conform.steps import Hello
from softctl.conform.written import evidence_lines
from softctl.errors import Place, SoftctlError
from softctl.machine import Endpoint, KeyFiles, Rights, Scalar, Security
from softctl.modbus import Bank, Device
from softctl.modbus.roles import Bars, RoleTable
from softctl.runtime.conform_lines import Dial
from softctl.runtime.conform_runner import run_cases
from softctl.runtime.modbus_server import ModbusServer
from softctl.runtime.tls_files import server_tls
from softctl.values.registers import WordOrder
from softctl.values.tables import Table

pytestmark = pytest.mark.network

WRITES = {Table.COILS: (Range(0, 1970),), Table.HOLDING_REGISTERS: (Range(0, 270),)}
NO_READ = ("coils:1990-1999", "discrete:1990", "input:290", "holding:290-299")
NO_WRITE = ("coils:1980", "holding:280-289")
ROLE = x509.ObjectIdentifier("1.3.6.1.4.1.50316.802.1")


def _name(common: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common)])


def _issue(path: Path, key, issuer, issuer_key, *extensions: x509.ExtensionType) -> None:
    """A certificate, and its key in the same file."""
    now = datetime.now(UTC)
    builder = (
        x509.CertificateBuilder()
        .subject_name(_name(path.stem))
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=1))
    )
    for extension in extensions:
        builder = builder.add_extension(extension, isinstance(extension, x509.BasicConstraints))
    private = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    made = builder.sign(issuer_key, hashes.SHA256())
    path.write_bytes(made.public_bytes(serialization.Encoding.PEM) + private)


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Papers:
    papers = Papers(tmp_path_factory.mktemp("papers"))
    authority_key, name = ec.generate_private_key(ec.SECP256R1()), _name("authority")
    _issue(papers.authority, authority_key, name, authority_key, x509.BasicConstraints(True, 0))
    papers.authority_key.write_bytes(papers.authority.read_bytes())
    keys = {
        "rsa": rsa.generate_private_key(65_537, 2048),
        "ec": ec.generate_private_key(ec.SECP256R1()),
        "p384": ec.generate_private_key(ec.SECP384R1()),
    }
    address = x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))])
    for kind, key in keys.items():
        usage = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH])
        _issue(papers.server[kind], key, name, authority_key, address, usage)
    role = x509.UnrecognizedExtension(ROLE, b"\x0c\x06fitter")
    usage = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH])
    own = rsa.generate_private_key(65_537, 2048)
    _issue(papers.fitter, own, name, authority_key, usage, role)
    return papers


@pytest.fixture(scope="module")
def prepared(papers: Papers) -> Iterator[Prepared]:
    """All certificates, right and wrong ones, made once."""
    options = TlsOptions(
        ca=papers.authority,
        cert=papers.fitter,
        ca_key=papers.authority_key,
        no_read=NO_READ,
        no_write=NO_WRITE,
    )
    with options.prepared() as prepared:
        yield prepared


@pytest.fixture
def run(papers: Papers, prepared: Prepared):
    """Plays the cases about TLS against a server."""

    async def play(make: type[SecureServer]) -> Report:
        trusted = [path for path, _ in prepared.identities.pairs.values()]
        tls, identities = prepared.context, prepared.identities
        wanted = Wanted(writes=WRITES, can_half_close=False, secured=prepared.secured)
        with listening(make(papers, trusted)) as port:
            dial = Dial("127.0.0.1", port, 1.0, 0.1, tls=tls, identities=identities)
            return await run_cases(dial, wanted, choose(["tls"]))

    return play


async def test_a_right_server_passes_every_case_about_tls(run) -> None:
    """Keys of both kinds, so that both suites are there."""
    report = await run(SecureServer)
    assert {r.case.id: r.outcome for r in report.results if r.outcome.reason} == {}
    assert report.counts()[Verdict.PASS] == len(choose(["tls"])) >= 30


@pytest.mark.parametrize(("flaw", "patterns"), FLAWS, ids=[flaw.__name__ for flaw, _ in FLAWS])
async def test_a_wrong_server_fails_exactly_the_cases_meant_for_it(run, flaw, patterns) -> None:
    """Nothing that the flaw does not touch fails, and nothing that it touches passes."""
    report = await run(flaw)
    assert {result.case.id for result in report.failures} == expand(patterns), {
        result.case.id: result.outcome.reason for result in report.failures
    }


def test_every_case_about_tls_can_fail() -> None:
    """Each is failed by a wrong server."""
    seen = {name for _, patterns in FLAWS for name in expand(patterns)}
    assert seen == {case.id for case in choose(["tls"])}


async def test_our_own_server_passes_every_case_that_applies(papers, prepared) -> None:
    """RSA key, roles as a machine file would have them; elliptic suites do not apply."""

    def scalar(path: Path) -> Scalar:
        return Scalar(str(path), Place("machine.yaml", 1, 1))

    own = KeyFiles(scalar(papers.server["rsa"]), scalar(papers.server["rsa"]))
    authority = scalar(papers.authority)
    security = Security(own, authority, {}, Rights(), Place("machine.yaml", 1, 1))
    context = server_tls(Endpoint("127.0.0.1", 0, 1, WordOrder.ABCD, security), Path())
    hidden = ((Table.COILS, 90, 10), (Table.DISCRETE_INPUTS, 90, 10))
    hidden += ((Table.INPUT_REGISTERS, 90, 10), (Table.HOLDING_REGISTERS, 90, 10))
    locked = (*hidden, (Table.COILS, 80, 10), (Table.HOLDING_REGISTERS, 80, 10))
    roles = RoleTable({"fitter": Bars(hidden, locked)}, Bars(read=((Table.COILS, 0, 1),)))
    device = Device(Bank({table: [(0, 100)] for table in Table}), permit=roles.permits)
    server = ModbusServer(device)
    _, port = await server.start("127.0.0.1", 0, context)
    secured = Secured(
        {},
        parse_ranges(["coils:90", "discrete:90", "input:90", "holding:90"]),
        parse_ranges(["coils:80", "holding:80"]),
    )
    writes = {Table.COILS: (Range(0, 80),), Table.HOLDING_REGISTERS: (Range(0, 80),)}
    wanted = Wanted(writes=writes, can_half_close=False, secured=secured)
    dial = Dial("127.0.0.1", port, 1.0, 0.02, tls=prepared.context, identities=prepared.identities)
    try:
        report = await run_cases(dial, wanted, choose(has_tls=True))
    finally:
        await server.close()
    assert {r.case.id: r.outcome.reason for r in report.failures} == {}
    tls = [result for result in report.results if result.case.group == "tls"]
    others = {r.case.id for r in tls if r.outcome.verdict is not Verdict.PASS}
    assert others == {"tls-cipher-elliptic"}
    assert report.counts()[Verdict.PASS] >= 250


async def test_evidence_shows_the_handshake(run) -> None:
    """Bytes below TLS, the alert in words, and what was sent inside."""
    report = await run(SecureServer)
    results = {result.case.id: result for result in report.results}
    none = evidence_lines(results["tls-client-none-1-2"].evidence)
    assert "(TLS, first 64 of" in none[0]
    assert " 16 03 01 " in none[0]
    assert any(line.endswith("15 03 03 00 02 02 28") for line in none)  # handshake_failure: 40
    assert "[0] alert from the server: handshake failure" in none
    old = evidence_lines(results["tls-version-1-1-refused"].evidence)
    assert any(line.endswith("15 03 02 00 02 02 46") for line in old)  # protocol_version: 70
    served = evidence_lines(results["tls-cipher-required"].evidence)
    assert "[0] hands shaken: TLSv1.2, ECDHE-RSA-AES128-GCM-SHA256" in served


def _missing(**options) -> dict[Show, str]:
    with TlsOptions(**options).prepared() as prepared:
        assert prepared.secured is not None
        return dict(prepared.secured.missing)


def test_what_cannot_be_shown_says_what_it_needs(papers, tmp_path) -> None:
    """Without the authority's key, without a certificate, without a role, and with both."""
    assert _missing(ca=papers.authority)[Show.OWN] == "needs --tls-cert"
    some = _missing(ca=papers.authority, cert=papers.fitter)
    assert Show.STRANGER not in some
    assert some[Show.EXPIRED] == "needs --tls-ca-key FILE, or --tls-client expired=FILE"
    given = f"expired={papers.fitter}"
    assert Show.EXPIRED not in _missing(ca=papers.authority, cert=papers.fitter, clients=(given,))
    full = {"ca": papers.authority, "ca_key": papers.authority_key}
    assert _missing(cert=papers.fitter, **full) == {}
    without = _missing(cert=papers.server["ec"], **full)
    assert without == dict.fromkeys(
        (Show.TWO_ROLES, Show.OTHER_STRING), "the certificate in --tls-cert has no role"
    )


async def test_cases_without_what_they_need_do_not_apply(papers) -> None:
    """In the clear every one; over TLS those that need more than was given."""
    async with serving(ReferenceServer()) as port:
        report = await run_cases(Dial("127.0.0.1", port), Wanted(), choose(["tls"]))
    assert report.counts()[Verdict.NOT_APPLICABLE] == len(report.results)
    with TlsOptions(ca=papers.authority, cert=papers.fitter).prepared() as prepared:
        tls, identities = prepared.context, prepared.identities
        with listening(SecureServer(papers, [])) as port:
            dial = Dial("127.0.0.1", port, 1.0, 0.1, tls=tls, identities=identities)
            wanted = Wanted(can_half_close=False, secured=prepared.secured)
            report = await run_cases(dial, wanted, choose(["tls"]))
    other = {r.case.id for r in report.results if r.outcome.verdict is not Verdict.PASS}
    assert other == expand("tls-client-expired tls-client-not-yet tls-role-*")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"ca_key": "key"}, "expected --tls-ca and --tls-cert beside --tls-ca-key"),
        ({"clients": ("late=x.pem",)}, "expected KIND=FILE with one of the kinds stranger"),
        ({"clients": ("expired",)}, "expected KIND=FILE"),
        ({"clients": ("expired=/no/file.pem",)}, "in /no/file.pem, got No such file"),
        ({"no_read": ("tank:1",)}, "expected a table"),
        ({"cert": Path("/no/own.pem"), "ca": Path("/no/ca.pem")}, "in /no/own.pem, got No such"),
    ],
)
def test_wrong_options_are_errors_of_one_line(options, message) -> None:
    """What was expected, and what came."""
    with pytest.raises(SoftctlError) as caught:
        _missing(**options)
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_another_authoritys_key_is_an_error(papers) -> None:
    """A key that does not belong to the authority would make only strangers."""
    with pytest.raises(SoftctlError, match="expected the private key of the authority's"):
        _missing(ca=papers.authority, cert=papers.fitter, ca_key=papers.server["ec"])


def test_what_was_made_is_deleted(papers) -> None:
    """Keys do not outlive the run."""
    options = TlsOptions(ca=papers.authority, cert=papers.fitter, ca_key=papers.authority_key)
    with options.prepared() as prepared:
        paths = [path for path, _ in prepared.identities.pairs.values() if path != papers.fitter]
        assert len(paths) == 8
        assert all(path.stat().st_mode & 0o077 == 0 for path in paths)
    assert not any(path.exists() for path in paths)


@pytest.mark.parametrize("highest", ["1.2", "1.3"])
@pytest.mark.parametrize("show", [Show.NOTHING, Show.STRANGER, Show.EXPIRED])
async def test_a_client_that_is_not_let_in_is_an_error(papers, prepared, show, highest) -> None:
    """One line that says so, instead of a run in which nothing is answered."""
    context = prepared.identities.context(Hello(show, highest=highest))
    with listening(SecureServer(papers, [])) as port:
        dial = Dial("127.0.0.1", port, 0.5, 0.02, tls=context)
        with pytest.raises(SoftctlError, match=r"alert|closed") as caught:
            await run_cases(dial, Wanted(), choose(ids=["fc03-one"]))
    assert f"127.0.0.1:{port}" in str(caught.value)
    assert "\n" not in str(caught.value)


PYMODBUS_TLS_DEVIATIONS = """
    tls-version-1-[01]-refused tls-client-* tls-cipher-anonymous tls-record-spoilt tls-role-*
    !tls-role-absent
"""
"""Where the stock TLS server of pymodbus 3.16.1 deviates, with client certificates required."""


@pytest.mark.filterwarnings("ignore")
async def test_the_stock_pymodbus_server_deviates_where_it_is_known_to(papers, prepared) -> None:
    """The event loop's own TLS turns clients away without an alert; roles are not known."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.load_cert_chain(papers.server["rsa"])
    context.load_verify_locations(papers.authority)
    context.verify_mode = ssl.CERT_REQUIRED
    bits = [SimData(0, count=2000, values=False, datatype=DataType.BITS)]
    words = [SimData(0, count=300, values=0, datatype=DataType.REGISTERS)]
    device = SimDevice(1, simdata=(bits, bits, words, words))
    server = ModbusTlsServer(device, address=("127.0.0.1", 0), sslctx=context)
    await server.serve_forever(background=True)
    port = server.transport.sockets[0].getsockname()[1]
    tls, identities = prepared.context, prepared.identities
    wanted = Wanted(writes=WRITES, can_half_close=False, secured=prepared.secured)
    dial = Dial("127.0.0.1", port, 0.5, tls=tls, identities=identities)
    try:
        report = await run_cases(dial, wanted, choose(["tls"]))
    finally:
        await server.shutdown()
    found = {result.case.id: result.outcome.reason for result in report.failures}
    assert set(found) == expand(PYMODBUS_TLS_DEVIATIONS)
    assert len(found) == 25
    assert found["tls-client-none-1-2"].endswith("got a closed connection without an alert")
