"""Wire faults from a file at the running command, switched while it runs."""

from __future__ import annotations

from pathlib import Path

import pytest
from programs import ended, port_of, started
from pyModbusTCP.client import ModbusClient

pytestmark = pytest.mark.network

PORTS = ("--field-port", "0", "--hmi-port", "0")


def test_faults_are_switched_by_editing_the_file(tmp_path: Path) -> None:
    """An HMI gets exceptions, then a mistake in the file changes nothing, then all is well."""
    file = tmp_path / "faults.yaml"
    file.write_text("hmi:\n  busy: {effect: exception, code: 6, function: 4}\n")
    with started("run", *PORTS, "--wire-faults", str(file)) as program:
        ready = program.wait_for("ready")
        begun = program.wait_for("wire fault begins")
        assert (begun["server"], begun["fault"], begun["effect"]) == ("hmi", "busy", "exception")
        hmi = ModbusClient("127.0.0.1", port_of(ready["hmi"]), timeout=5)
        assert hmi.read_input_registers(0, 2) is None
        assert hmi.last_except == 6
        file.write_text("hmi:\n  busy: {effect: exception, code: sixth}\n")
        kept = program.wait_for("wire faults stay as they were")
        assert "expected a whole number from 1 to 255, got 'sixth'" in kept["reason"]
        assert "faults.yaml:2:35" in kept["reason"]
        assert hmi.read_input_registers(0, 2) is None
        file.write_text("hmi:\n")
        program.wait_for("wire fault ends")
        assert hmi.read_input_registers(0, 2) is not None
        hmi.close()
        assert program.stop() == 0


def test_a_silent_field_raises_the_alarm_and_comes_back(tmp_path: Path) -> None:
    """The controller survives a field that is silent, which the HMI sees as COMMS_ALARM."""
    file = tmp_path / "faults.yaml"
    file.write_text("field:\n")
    with started("run", *PORTS, "--wire-faults", str(file)) as program:
        program.wait_for("field link healthy")
        file.write_text("field:\n  dead: {effect: silence}\n")
        program.wait_for("field link lost")
        file.write_text("field:\n")
        program.wait_for("field link healthy")
        assert program.stop() == 0


@pytest.mark.parametrize("command", ["run", "field", "control", "check"])
def test_a_bad_file_ends_the_command_before_it_starts(tmp_path: Path, command: str) -> None:
    """Every error with its place, exit code 2, and nothing listens."""
    file = tmp_path / "faults.yaml"
    file.write_text("hmi:\n  a: {effect: delay}\n  b: {effect: silense}\n")
    result = ended(command, "--wire-faults", str(file))
    assert result.returncode == 2
    assert "expected the key 'by' in a, got none" in result.stderr
    assert "did you mean silence?" in result.stderr
    assert "2 errors" in result.stderr
    assert "Traceback" not in result.stderr


def test_a_real_field_is_not_driven_beside_wire_faults(tmp_path: Path) -> None:
    """Confirmed or not: a lost STOP could hurt people."""
    file = tmp_path / "faults.yaml"
    file.write_text("hmi:\n")
    confirmed = ("--field", "field:15020", "--drive", "field")
    result = ended("control", *confirmed, "--wire-faults", str(file))
    assert result.returncode == 2
    assert "expected a field at a loopback address with --wire-faults" in result.stderr
