"""A machine that asks for TLS, from `softctl certs` to an HMI with a role (Modbus/TCP Security)."""

from __future__ import annotations

import json
import shutil
import ssl
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from programs import Program, ended, port_of, started
from pymodbus.client import ModbusTlsClient

pytestmark = pytest.mark.network

DEMO = Path(__file__).parents[2] / "configs" / "glasshouse_feed"
FIELD = "field: {host: 127.0.0.1, port: 15020, unit: 1, word_order: ABCD}\n"
HMI = "hmi: {host: 127.0.0.1, port: 15021, unit: 1, word_order: CDAB}\n"
SECURED = """field:
  port: 15020
  tls:
    certificate: certs/field.pem
    key: certs/field.key
    authority: certs/authority.pem
    roles: {controller: {read: all, write: all}}
    controller: {role: controller, certificate: certs/control.pem, key: certs/control.key}
hmi:
  port: 15021
  word_order: CDAB
  tls:
    certificate: certs/hmi.pem
    key: certs/hmi.key
    authority: certs/authority.pem
    roles:
      operator: {read: all, write: commands}
      onlooker: {read: system}
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    copy = tmp_path_factory.mktemp("tls") / "machine"
    shutil.copytree(DEMO, copy)
    machine = copy / "machine.yaml"
    text = machine.read_text(encoding="utf-8")
    assert text.count(FIELD) == text.count(HMI) == 1
    machine.write_text(text.replace(FIELD, "").replace(HMI, SECURED), encoding="utf-8")
    return copy


@pytest.fixture(scope="module")
def certs(folder: Path) -> Path:
    """The folder of the certificates, made by the command after a check without them."""
    before = ended("check", str(folder))
    assert before.returncode == 0, before.stderr
    assert "3 warnings" in before.stdout
    assert "certs/hmi.pem, got none" in before.stderr
    refused = ended("run", str(folder), "--for", "1")
    assert refused.returncode == 2
    assert "certs/field.pem, got none" in refused.stderr
    assert "machine.yaml:" in refused.stderr
    made = ended("certs", str(folder), "--keys", "p256")
    assert made.returncode == 0, made.stderr
    assert "CAUTION: a test authority" in made.stderr
    again = ended("certs", str(folder))
    assert again.returncode == 2
    assert "expected to overwrite nothing" in again.stderr
    after = ended("check", str(folder))
    assert "0 warnings" in after.stdout, after.stderr
    return folder / "certs"


@pytest.fixture(scope="module")
def running(folder: Path, certs: Path) -> Iterator[Program]:
    with started("run", str(folder), "--field-port", "0", "--hmi-port", "0") as program:
        yield program


@pytest.fixture(scope="module")
def ports(running: Program) -> tuple[int, int]:
    ready = running.wait_for("ready")
    running.wait_for("field link healthy")
    return port_of(ready["field"]), port_of(ready["hmi"])


def client(port: int, certs: Path, name: str) -> ModbusTlsClient:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False  # this client passes no name on; others in the suite do
    context.load_verify_locations(certs / "authority.pem")
    context.load_cert_chain(certs / f"{name}.pem", certs / f"{name}.key")
    found = ModbusTlsClient("127.0.0.1", port=port, sslctx=context, timeout=5, retries=0)
    assert found.connect()
    return found


def test_the_field_link_is_healthy_over_tls(ports: tuple[int, int], certs: Path) -> None:
    """Controller and field meet over TLS; discrete input 0, FIELD_LINK, is TRUE."""
    hmi = client(ports[1], certs, "client_operator")
    assert hmi.read_discrete_inputs(0, count=1).bits[0] is True
    hmi.close()


def test_an_operator_commands_and_sets_nothing(ports: tuple[int, int], certs: Path) -> None:
    """The role may write coils, the set points in the holding registers are exception 01."""
    hmi = client(ports[1], certs, "client_operator")
    assert not hmi.write_coil(0, True).isError()
    assert hmi.read_holding_registers(0, count=2).registers
    assert hmi.write_registers(0, [0, 0]).exception_code == 1
    hmi.close()


@pytest.mark.parametrize("name", ["client_onlooker", "client_without_role", "client_controller"])
def test_other_roles_command_nothing(ports: tuple[int, int], certs: Path, name: str) -> None:
    """An onlooker, nobody in particular and the controller's role of the field: 01."""
    hmi = client(ports[1], certs, name)
    assert hmi.write_coil(0, True).exception_code == 1
    is_shown = not hmi.read_input_registers(0, count=1).isError()
    assert is_shown is (name == "client_onlooker")
    hmi.close()


def test_an_hmi_does_not_drive_the_field(ports: tuple[int, int], certs: Path) -> None:
    """The operator's certificate is of the same authority, but no role at the field."""
    field = client(ports[0], certs, "client_operator")
    assert field.write_coil(0, True).exception_code == 1
    assert field.read_discrete_inputs(0, count=1).exception_code == 1
    field.close()


@pytest.mark.parametrize(
    ("role", "denied", "written"),
    [
        ("onlooker", ["--tls-no-read", "holding:0-1", "--tls-no-read", "discrete:8"], set()),
        (
            "operator",
            ["--tls-no-write", "holding:0-1"],
            {f"tls-role-write-fc{code}" for code in ("06", "16", "22", "23")},
        ),
    ],
)
def test_the_conformance_runner_finds_nothing(
    ports: tuple[int, int], certs: Path, role: str, denied: list[str], written: set[str]
) -> None:
    """With the test authority's key every certificate case is played, and passes."""
    result = ended(
        "conform",
        f"127.0.0.1:{ports[1]}",
        *("--tls-ca", str(certs / "authority.pem"), "--tls-ca-key", str(certs / "authority.key")),
        *("--tls-cert", str(certs / f"client_{role}.pem")),
        *("--tls-key", str(certs / f"client_{role}.key")),
        *denied,
        *("--group", "tls", "--as", "json"),
    )
    assert result.returncode == 0, result.stdout + result.stderr
    cases = json.loads(result.stdout)["cases"]
    passed = {case["id"] for case in cases if case["verdict"] == "pass"}
    assert not [case["id"] for case in cases if case["verdict"] == "fail"]
    assert passed >= written | {"tls-client-expired", "tls-role-two", "tls-role-goes-on"}
    assert len(passed) >= 25


def test_without_the_library_the_command_says_what_to_install(folder: Path) -> None:
    """Serving TLS needs no further package; making certificates does, and says so."""
    code = (
        "import sys; sys.modules['cryptography'] = None; sys.argv = ['softctl', 'certs', "
        f"{str(folder)!r}]; from softctl.cli import main; main()"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert result.returncode == 2
    assert "pip install 'softctl[tls]'" in result.stderr
    assert "Traceback" not in result.stderr
