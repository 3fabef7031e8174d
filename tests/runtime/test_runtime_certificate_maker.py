"""Test certificates of a machine: what is planned, what stands in them, who can read them."""

from __future__ import annotations

import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID
from cryptography.x509.verification import PolicyBuilder, Store

from softctl.errors import SoftctlError
from softctl.machine import Machine, parse_machine
from softctl.modbus.certificates import read_certificate
from softctl.runtime.certificate_maker import KeyKind, make_certificates, role_extension
from softctl.runtime.certificate_plan import files_of, plan_certificates
from softctl.runtime.folder import demo_folder
from softctl.runtime.tls_files import tls_problems

PLAIN = (demo_folder() / "machine.yaml").read_text(encoding="utf-8")
FIELD = "field: {host: 127.0.0.1, port: 15020, unit: 1, word_order: ABCD}\n"
HMI = "hmi: {host: 127.0.0.1, port: 15021, unit: 1, word_order: CDAB}\n"
SECURED = """field:
  port: 15020
  tls:
    certificate: certs/field.pem
    key: certs/field.key
    authority: certs/authority.pem
    server_name: skid-1.example
    roles: {boss: {read: all, write: all}}
    controller: {role: boss, certificate: certs/control.pem, key: certs/control.key}
hmi:
  host: 0.0.0.0
  port: 15021
  tls:
    certificate: certs/hmi.pem
    key: certs/hmi.key
    authority: certs/../certs/authority.pem
    roles:
      boss: {read: all, write: all}
      Schichtführer / A: {read: all}
"""


def secured(text: str = SECURED) -> Machine:
    assert PLAIN.count(FIELD) == PLAIN.count(HMI) == 1
    return parse_machine(PLAIN.replace(FIELD, text).replace(HMI, ""), "machine.yaml")


def make(machine: Machine, folder: Path, *, overwrite: bool = False, days: int = 9) -> list[Path]:
    plan = plan_certificates(machine, folder, ("panel.example",))
    make_certificates(plan, days=days, kind=KeyKind.P256, overwrite=overwrite)
    return list(files_of(plan))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("machine")
    make(secured(), path)
    return path


def certificate(folder: Path, name: str) -> x509.Certificate:
    return x509.load_pem_x509_certificate((folder / "certs" / f"{name}.pem").read_bytes())


def test_both_servers_of_one_authority_share_their_clients(folder: Path) -> None:
    """One file for each purpose, however its name is written, and one client for each role."""
    assert sorted(path.name for path in (folder / "certs").glob("*.pem")) == [
        "authority.pem",
        "client_Schichtführer_A.pem",
        "client_boss.pem",
        "client_without_role.pem",
        "control.pem",
        "field.pem",
        "hmi.pem",
    ]


def test_what_is_made_is_what_a_run_needs(folder: Path) -> None:
    """Every file that the machine names is there, fits and is kept from others."""
    assert list(tls_problems(secured(), folder)) == []


def test_only_the_owner_reads_a_key(folder: Path) -> None:
    """Private keys have mode 0600 from their first byte on."""
    keys = list((folder / "certs").glob("*.key"))
    assert len(keys) == 7
    assert {stat.S_IMODE(key.stat().st_mode) for key in keys} == {0o600}


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("client_boss", "boss"),
        ("client_Schichtführer_A", "Schichtführer / A"),
        ("client_without_role", ""),
        ("control", "boss"),
        ("hmi", ""),
    ],
)
def test_each_client_has_its_role(folder: Path, name: str, role: str) -> None:
    """The role is one UTF8String under the OID of Modbus/TCP Security v36."""
    made = certificate(folder, name)
    found = [
        extension.value.value
        for extension in made.extensions
        if isinstance(extension.value, x509.UnrecognizedExtension)
        and extension.oid.dotted_string == "1.3.6.1.4.1.50316.802.1"
    ]
    text = role.encode()
    assert found == ([bytes((0x0C, len(text))) + text] if role else [])


def test_a_long_role_is_written_and_read() -> None:
    """X.690 section 8.1.3.5: the length of 128 bytes and more has bytes of its own."""
    value = role_extension("r" * 300).value
    assert value[:4] == bytes.fromhex("0c 82 012c")


def test_an_independent_verifier_trusts_them(folder: Path) -> None:
    """cryptography's verifier (RFC 5280 with the profile of web servers) finds the chains."""
    store = Store([certificate(folder, "authority")])
    builder = PolicyBuilder().store(store)
    for host in ("panel.example", "localhost", "skid-1.example"):
        builder.build_server_verifier(x509.DNSName(host)).verify(certificate(folder, "field"), [])
    with pytest.raises(x509.verification.VerificationError):
        builder.build_server_verifier(x509.DNSName("else.example")).verify(
            certificate(folder, "field"), []
        )


@pytest.mark.parametrize(
    ("name", "usage"),
    [
        ("hmi", ExtendedKeyUsageOID.SERVER_AUTH),
        ("control", ExtendedKeyUsageOID.CLIENT_AUTH),
        ("client_boss", ExtendedKeyUsageOID.CLIENT_AUTH),
    ],
)
def test_a_certificate_is_good_for_one_side_only(
    folder: Path, name: str, usage: x509.ObjectIdentifier
) -> None:
    """RFC 5280 section 4.2.1.12: a client's certificate makes no server."""
    found = certificate(folder, name).extensions.get_extension_for_class(x509.ExtendedKeyUsage)
    assert list(found.value) == [usage]


def test_a_server_is_reached_by_all_its_names(folder: Path) -> None:
    """Loopback, the names asked for, the declared ones; an address that means all is none."""
    names = certificate(folder, "hmi").extensions.get_extension_for_class(
        x509.SubjectAlternativeName
    )
    found = {str(one.value) for one in names.value}
    assert found == {"localhost", "127.0.0.1", "::1", "panel.example"}


def test_validity_is_what_was_asked_for(folder: Path) -> None:
    """Nine days from now, and valid already for peers whose clocks are behind."""
    der = certificate(folder, "hmi").public_bytes(Encoding.DER)
    made = read_certificate(der)
    now = datetime.now(UTC)
    assert now < made.not_after <= now + timedelta(days=9)
    assert made.not_before < now - timedelta(minutes=30)


def test_nothing_is_overwritten_unasked(tmp_path: Path) -> None:
    """One file that is there keeps all of them from being written."""
    key = tmp_path / "certs" / "hmi.key"
    key.parent.mkdir()
    key.write_text("precious")
    with pytest.raises(SoftctlError, match=r"expected to overwrite nothing, got .*hmi\.key$"):
        make(secured(), tmp_path)
    assert list(key.parent.iterdir()) == [key]
    assert key.read_text() == "precious"
    make(secured(), tmp_path, overwrite=True)
    assert "PRIVATE KEY" in key.read_text()
    assert stat.S_IMODE(key.stat().st_mode) == 0o600


def test_overwriting_does_not_follow_a_link(tmp_path: Path) -> None:
    """A key never ends up where a link led."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.write_text("untouched")
    (tmp_path / "certs").mkdir()
    (tmp_path / "certs" / "hmi.key").symlink_to(elsewhere)
    with pytest.raises(SoftctlError, match="got files that are there"):
        make(secured(), tmp_path)
    make(secured(), tmp_path, overwrite=True)
    assert elsewhere.read_text() == "untouched"


def test_a_folder_that_cannot_be_made_is_an_error(tmp_path: Path) -> None:
    """What the system refuses becomes a message."""
    (tmp_path / "certs").write_text("a file")
    with pytest.raises(SoftctlError, match=r"expected to write .*authority\.pem, got: "):
        make(secured(), tmp_path)


def test_a_plain_machine_needs_none() -> None:
    """The error shows what to write into the machine file."""
    with pytest.raises(SoftctlError, match=r"(?s)expected 'tls:' under 'hmi:'.*roles:"):
        plan_certificates(parse_machine(PLAIN, "machine.yaml"), Path(), ())


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("key: certs/hmi.key", "key: certs/hmi.pem"),
        ("key: certs/hmi.key", "key: certs/authority.key"),
        ("certificate: certs/hmi.pem", "certificate: certs/field.pem"),
        ("      Schicht", "      Schichtführer_A: {read: all}\n      Schicht"),
    ],
)
def test_two_uses_of_one_file_are_an_error(old: str, new: str) -> None:
    """A key must not land in a certificate's file, nor one server's in the other's."""
    assert SECURED.count(old) == 1
    machine = secured(SECURED.replace(old, new))
    with pytest.raises(SoftctlError, match="expected a file of its own"):
        plan_certificates(machine, Path(), ())


def test_kinds_of_keys(tmp_path: Path) -> None:
    """RSA of 2048 bits, or P-256, which is the curve that the specification names."""
    plan = plan_certificates(secured(), tmp_path, ())[:1]
    plan[0].signs[:] = plan[0].signs[:1]
    make_certificates(plan, days=1, kind=KeyKind.RSA, overwrite=False)
    key = certificate(tmp_path, "field").public_key()
    assert isinstance(key, rsa.RSAPublicKey)
    assert key.key_size == 2048
    make_certificates(plan, days=1, kind=KeyKind.P256, overwrite=True)
    key = certificate(tmp_path, "field").public_key()
    assert isinstance(key, ec.EllipticCurvePublicKey)
    assert isinstance(key.curve, ec.SECP256R1)
