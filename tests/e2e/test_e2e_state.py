"""RETAIN values and alarms through the real command."""

from __future__ import annotations

from pathlib import Path

import pytest
from programs import Program, port_of, started

MACHINE = """
name: counter
programs: [main.st]
control: {scan: 10 ms}
cards: {DO_1: {kind: digital output, channels: 8}}
points:
  LAMP: {card: DO_1, fail_safe: false}
  COUNT: {role: state, type: UDINT, source: Main.count}
  FRESH: {role: state, type: UDINT, source: Main.fresh}
alarms:
  TURNS: {text: a hundred scans more, when: Main.fresh >= 100, priority: medium}
guards:
  FEW: {text: nobody counts to 150, never: Main.fresh = 150}
"""
PROGRAM = """
PROGRAM Main
VAR RETAIN count : UDINT; END_VAR
VAR fresh : UDINT; END_VAR
count := count + 1;
fresh := fresh + 1;
LAMP := count MOD 100 < 50;
END_PROGRAM
"""

pytestmark = pytest.mark.network


def count(program: Program) -> tuple[int, int]:
    """COUNT and FRESH from the HMI map, in one request."""
    from pyModbusTCP.client import ModbusClient

    hmi = program.wait_for("ready")["hmi"]
    program.wait_for("alarm raised")
    client = ModbusClient(port=port_of(hmi), unit_id=1)
    registers = client.read_input_registers(16, 4)
    client.close()
    assert registers is not None, client.last_error_as_txt
    return registers[0] << 16 | registers[1], registers[2] << 16 | registers[3]


def test_a_killed_controller_goes_on_counting_and_a_cold_one_does_not(tmp_path: Path) -> None:
    """kill -9, a warm start with the count of before, a cold start without; alarms are told."""
    (tmp_path / "machine.yaml").write_text(MACHINE, encoding="utf-8")
    (tmp_path / "main.st").write_text(PROGRAM, encoding="utf-8")
    common = ("run", str(tmp_path), "--field-port", "0", "--hmi-port", "0")
    common = (*common, "--state", str(tmp_path / "state"))
    with started(*common) as first:
        counted, fresh = count(first)
        assert counted == fresh >= 100
        breach = first.wait_for("guard broken")
        assert (breach["guard"], breach["text"]) == ("FEW", "nobody counts to 150")
        first.kill()
    with started(*common) as second:
        assert second.wait_for("warm start")["restored"] == 1
        warm, fresh = count(second)
        assert warm >= counted + fresh
        assert second.stop() == 0
    with started(*common, "--cold") as third:
        cold, fresh = count(third)
        assert cold == fresh
        raised = [event for event in third.seen if event["event"] == "alarm raised"]
        assert raised[0]["alarm"] == "TURNS"
        assert raised[0]["priority"] == "medium"
        assert third.stop() == 0
