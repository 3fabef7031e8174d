"""RETAIN values and alarms through the real command."""

from __future__ import annotations

from pathlib import Path

import pytest
from programs import Program, ended, port_of, started

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


def softctl(*arguments: str) -> str:
    """What a command that ends well prints."""
    done = ended(*arguments)
    assert done.returncode == 0, done.stderr
    return done.stdout


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


def test_the_journal_tells_who_did_what(tmp_path: Path) -> None:
    """A set point and alarms of a run that was killed, printed and exported by the command."""
    from pyModbusTCP.client import ModbusClient

    text = MACHINE.replace("alarms:", "  PACE: {role: setpoint, type: INT, range: [0, 9]}\nalarms:")
    (tmp_path / "machine.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "main.st").write_text(PROGRAM, encoding="utf-8")
    state = ("--state", str(tmp_path / "state"))
    with started("run", str(tmp_path), "--field-port", "0", "--hmi-port", "0", *state) as program:
        client = ModbusClient(port=port_of(program.wait_for("ready")["hmi"]), unit_id=1)
        for value in (7, 7, 99):
            client.write_single_register(0, value)
        client.close()
        program.wait_for("guard broken")
        assert program.stop() == 0
    printed = softctl("journal", str(tmp_path), *state)
    lines = [line.split(maxsplit=1)[1] for line in printed.splitlines()]
    assert "alarm TURNS                 raised" in lines
    assert [line for line in lines if line.startswith("run counter")] == [
        "run counter                 started",
        "run counter                 stopped",
    ]
    written = [line for line in lines if line.startswith("setpoint PACE")]
    assert len(written) == 1, "told once, as it changed once, and 99 was refused"
    assert "written 7" in written[0]
    assert "by 127.0.0.1:" in written[0]
    assert softctl("journal", str(tmp_path), *state, "--kind", "guard").count("\n") == 1
    export = tmp_path / "samples.csv"
    softctl("journal", str(tmp_path), *state, "--samples", "--csv", str(export))
    rows = export.read_text(encoding="utf-8").splitlines()
    assert rows[0] == "time,machine_s,point,value"
    assert sum(",LAMP," in row for row in rows) >= 2


def test_people_reach_a_running_controller(tmp_path: Path) -> None:
    """force, alarms, load and release against a real process, and none is left after it."""
    (tmp_path / "machine.yaml").write_text(MACHINE, encoding="utf-8")
    (tmp_path / "main.st").write_text(PROGRAM, encoding="utf-8")
    state = ("--state", str(tmp_path / "state"))
    machine = ("--machine", str(tmp_path), *state)
    with started("run", str(tmp_path), "--field-port", "0", "--hmi-port", "0", *state) as program:
        program.wait_for("alarm raised")
        held = softctl("force", "LAMP", "TRUE", "--for", "1 h", "--reason", "wiring", *machine)
        assert held == "LAMP is held at True for 1 h\n"
        assert "wiring" in softctl("force", *machine)
        assert "TURNS" in softctl("alarms", *machine)
        assert softctl("alarms", "acknowledge", "TURNS", *machine) == "TURNS is acknowledged\n"
        changed = PROGRAM.replace("fresh : UDINT", "fresh : UDINT; more : INT")
        (tmp_path / "main.st").write_text(changed, encoding="utf-8")
        assert softctl("load", str(tmp_path), *state).startswith("program changed, ")
        assert program.wait_for("program changed")["kept"] >= 3
        assert softctl("release", *machine) == "released: LAMP\n"
        assert softctl("stop", str(tmp_path), *state).startswith("programs stopped")
        assert program.wait_for("programs stopped")["by"]
        warm = softctl("restart", str(tmp_path), *state)
        assert warm == "programs started warm: 1 RETAIN values go on\n"
        assert program.wait_for("programs restarted")["how"] == "warm"
        assert program.stop() == 0
    gone = ended("force", *machine)
    assert gone.returncode == 2
    assert gone.stderr.startswith("error: expected a running controller, got none at")


def test_health_and_metrics_are_served_where_asked_for(tmp_path: Path) -> None:
    """The command says where, and both pages answer."""
    import urllib.request

    (tmp_path / "machine.yaml").write_text(MACHINE, encoding="utf-8")
    (tmp_path / "main.st").write_text(PROGRAM, encoding="utf-8")
    ports = ("--field-port", "0", "--hmi-port", "0", "--metrics", "0")
    with started("run", str(tmp_path), *ports, "--state", str(tmp_path / "state")) as program:
        url = str(program.wait_for("health and metrics")["url"])
        program.wait_for("alarm raised")
        with urllib.request.urlopen(url, timeout=20) as answer:
            assert b"softctl_scans_total" in answer.read()
        with urllib.request.urlopen(url.replace("metrics", "health"), timeout=20) as answer:
            assert b'"state": "running"' in answer.read()
        assert program.stop() == 0


def test_a_controller_runs_where_nothing_can_be_kept(tmp_path: Path) -> None:
    """Without a place for its state it says so and runs; a place that was asked for must be."""
    (tmp_path / "machine.yaml").write_text(MACHINE, encoding="utf-8")
    (tmp_path / "main.st").write_text(PROGRAM, encoding="utf-8")
    (tmp_path / "file").write_text("", encoding="utf-8")
    run = ("run", str(tmp_path), "--field-port", "0", "--hmi-port", "0")
    nowhere = {"XDG_STATE_HOME": str(tmp_path / "file")}
    with started(*run, environment=nowhere) as program:
        assert "cannot write the journal" in program.wait_for("no journal")["reason"]
        program.wait_for("alarm raised")
        assert program.stop() == 0
    with started(*run, "--state", str(tmp_path / "file" / "state")) as program:
        assert program.process.wait(timeout=60) == 2
