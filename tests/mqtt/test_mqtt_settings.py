"""What lies outside the machine file: certificates, passwords, permission for writes."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from mqtt_live import Mosquitto, Told, until
from mqtt_machine import TEXT, Bench

from softctl.errors import Problem, ProblemsError, SoftctlError
from softctl.machine import Machine, Mqtt, parse_machine
from softctl.runtime.certificate_maker import KeyKind, make_certificates
from softctl.runtime.certificate_plan import Authority, Purpose, Wanted
from softctl.runtime.mqtt_connection import MqttConnection, Patience
from softctl.runtime.mqtt_settings import broker_access, mqtt_problems, require_writable

SECTION = "mqtt: {{host: {host}, user: skid{more}}}\n"


def machine(more: str = "", host: str = "127.0.0.1") -> Machine:
    return parse_machine(TEXT + SECTION.format(host=host, more=more), "machine.yaml")


def section(more: str = "", host: str = "127.0.0.1") -> Mqtt:
    found = machine(more, host).mqtt
    assert found is not None
    return found


def test_the_password_is_the_text_of_its_file(tmp_path: Path) -> None:
    """Without the end of its line."""
    (tmp_path / "secret").write_text("pässwort 1\n", encoding="utf-8")
    access = broker_access(section(", password_file: secret").broker, tmp_path)
    assert access.password == "pässwort 1"


def test_the_password_is_the_value_of_its_variable(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And one that is not set is an error that names it."""
    broker = section(", password_env: SKID_SECRET").broker
    with pytest.raises(SoftctlError, match="environment variable SKID_SECRET, got no such"):
        broker_access(broker, tmp_path)
    monkeypatch.setenv("SKID_SECRET", "s")
    assert broker_access(broker, tmp_path).password == "s"


def test_a_missing_password_file_is_told_with_its_place(tmp_path: Path) -> None:
    """In the machine file."""
    with pytest.raises(ProblemsError, match=r"broker's password, got No such file.*machine.yaml:"):
        broker_access(section(", password_file: secret").broker, tmp_path)


def problems(found: Machine, folder: Path) -> list[Problem]:
    return list(mqtt_problems(found, folder))


def test_check_tells_of_secrets_that_others_can_read(tmp_path: Path) -> None:
    """And of a password that would travel in the clear."""
    secret = tmp_path / "secret"
    secret.write_text("s", encoding="utf-8")
    secret.chmod(0o644)
    (one,) = problems(machine(", password_file: secret"), tmp_path)
    assert "only you can read" in one.message
    secret.chmod(0o600)
    assert problems(machine(", password_file: secret"), tmp_path) == []
    (two,) = problems(machine(", password_file: secret", "192.0.2.9"), tmp_path)
    assert "in the clear" in two.message
    assert problems(parse_machine(TEXT, "machine.yaml"), tmp_path) == []


def test_writes_from_another_computer_have_to_be_confirmed() -> None:
    """For the broker's host and the controller's alike; without writes nothing is asked."""
    writes = section(", writes: {allow: commands}", "192.0.2.9")
    with pytest.raises(SoftctlError, match=r"--mqtt-writes 192\.0\.2\.9"):
        require_writable(writes, ["192.0.2.9"], [])
    with pytest.raises(SoftctlError, match=r"got 192\.0\.2\.8: whoever may publish"):
        require_writable(writes, ["192.0.2.9", "192.0.2.8"], ["192.0.2.9"])
    require_writable(writes, ["192.0.2.9"], ["192.0.2.9"])
    require_writable(writes, ["127.0.0.1", "localhost"], [])
    require_writable(section(host="192.0.2.9"), ["192.0.2.9"], [])


# TLS


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A test authority with a broker and a client, and a second authority."""
    folder = tmp_path_factory.mktemp("certs")
    server, client = (
        Wanted(
            folder / f"{name}.pem",
            folder / f"{name}.key",
            purpose,
            name,
            hosts=("127.0.0.1",),
        )
        for name, purpose in (("broker", Purpose.SERVER), ("client", Purpose.CLIENT))
    )
    make_certificates(
        [
            Authority(folder / "authority.pem", folder / "authority.key", [server, client]),
            Authority(folder / "other.pem", folder / "other.key", []),
        ],
        days=2,
        kind=KeyKind.P256,
        overwrite=False,
    )
    return folder


@pytest.fixture(scope="module")
def secure_broker(
    require_tool: Callable[[str], str],
    certificates: Path,
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Mosquitto]:
    """A broker that lets in whoever has a certificate of the authority."""
    lines = (
        f"cafile {certificates / 'authority.pem'}",
        f"certfile {certificates / 'broker.pem'}",
        f"keyfile {certificates / 'broker.key'}",
        "require_certificate true",
        "use_identity_as_username true",
    )
    folder = tmp_path_factory.mktemp("secure")
    with Mosquitto(require_tool("mosquitto"), folder, *lines) as found:
        yield found


OWN = "certificate: client.pem, key: client.key"


# paho-mqtt leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning")
@pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket")
@pytest.mark.network
@pytest.mark.peer
@pytest.mark.parametrize(
    ("tls", "reason"),
    [
        (f"authority: authority.pem, {OWN}", None),
        (f"authority: other.pem, {OWN}", "certificate refused"),
        (OWN, "certificate refused"),
        ("authority: authority.pem", "certificate required"),
    ],
    ids=["right", "another authority", "the system's authorities", "no certificate"],
)
@pytest.mark.parametrize("version", ["3.1.1", "5"])
async def test_tls_with_client_certificates(
    secure_broker: Mosquitto, certificates: Path, version: str, tls: str, reason: str | None
) -> None:
    """The right ones connect; any other is told why not."""
    found = section(f", version: {version}, tls: {{{tls}}}").broker
    access = broker_access(replace(found, port=secure_broker.port), certificates)
    told = Told()
    patience = Patience(answer_s=1.0, retry_s=(0.05,))
    bench = Bench("json")
    connection = MqttConnection(bench.session, access, sink=told, patience=patience)
    connection.start()
    await until(lambda: told.events)
    await connection.close()
    del connection
    gc.collect()
    event, fields = told.events[0]
    if reason is None:
        assert event == "mqtt broker connected"
    else:
        assert event == "mqtt broker not reached"
        assert reason in str(fields["reason"])


def test_wrong_files_are_told_with_their_place(certificates: Path) -> None:
    """A missing authority, and a key that belongs to another certificate."""
    for tls, words in (
        ("authority: nowhere.pem", "expected a file"),
        ("certificate: client.pem, key: broker.key", "expected the private key"),
    ):
        with pytest.raises(ProblemsError, match=rf"{words}.*\(machine.yaml:"):
            broker_access(section(f", tls: {{{tls}}}").broker, certificates)
