"""What `run` and `bridge` refuse about MQTT before anything is started."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from softctl.cli.app import app
from softctl.errors import SoftctlError

MACHINE = """
name: rinse_stand
programs: [rinse.st]
points:
  START: {role: command}
"""
PROGRAM = "PROGRAM Rinse VAR n : INT; END_VAR n := BOOL_TO_INT(START); END_PROGRAM\n"


def refusal(folder: Path, mqtt: str, *arguments: str) -> str:
    """Why the command line is refused."""
    (folder / "machine.yaml").write_text(MACHINE + mqtt, encoding="utf-8")
    (folder / "rinse.st").write_text(PROGRAM, encoding="utf-8")
    command, *others = arguments
    options = [] if command == "bridge" else ["--state", str(folder / "state")]
    result = CliRunner().invoke(app, [command, str(folder), *options, *others])
    assert isinstance(result.exception, SoftctlError), result.output
    return str(result.exception)


@pytest.mark.parametrize("command", ["run", "control", "bridge"])
def test_writes_from_another_computer_need_a_confirmation(tmp_path: Path, command: str) -> None:
    """With what to do about it."""
    found = refusal(tmp_path, "mqtt: {host: 192.0.2.9, writes: {allow: START}}\n", command)
    assert "hurt people" in found
    assert "--mqtt-writes 192.0.2.9" in found


@pytest.mark.parametrize(
    ("mqtt", "got"),
    [
        ("mqtt: {version: 5}\n", "version 5"),
        ("mqtt: {tls: {}}\n", "tls"),
        ("mqtt: {host: 192.0.2.9}\n", "host 192.0.2.9"),
    ],
)
def test_the_broker_of_our_own_cannot_do_everything(tmp_path: Path, mqtt: str, got: str) -> None:
    """What the machine file asks for beyond it is told."""
    assert refusal(tmp_path, mqtt, "run", "--broker").endswith(f"for --broker, got {got}")


def test_a_broker_without_a_bridge_is_a_mistake(tmp_path: Path) -> None:
    """Nothing would use it."""
    assert "got both" in refusal(tmp_path, "", "run", "--broker", "--no-mqtt")


def test_bridge_needs_to_be_told_what_to_publish(tmp_path: Path) -> None:
    """A machine file without `mqtt` publishes nothing."""
    assert "expected `mqtt` in" in refusal(tmp_path, "", "bridge")


def test_the_schemas_are_printed() -> None:
    """As JSON, by topic."""
    result = CliRunner().invoke(app, ["bridge", "--schema"])
    assert result.exit_code == 0
    assert '"points/NAME"' in result.output


@pytest.mark.parametrize("command", ["run", "control", "bridge"])
def test_help_says_what_writes_from_mqtt_can_do(command: str) -> None:
    """The caution is where the option is."""
    text = " ".join(CliRunner().invoke(app, [command, "--help"]).output.split())
    assert "moves the machine" in text
    assert "never a safety function" in text
