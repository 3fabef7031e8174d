"""VAR_CONFIG and VAR_ACCESS (IEC 61131-3 third edition, 6.8, tables 63 and 64)."""

from __future__ import annotations

import pytest

from softctl.errors import SoftctlError

DRIVES = """
FUNCTION_BLOCK Drive
VAR_INPUT ref : REAL; END_VAR
VAR run AT %Q* : BOOL; ready AT %I* : BOOL; gain : REAL := 1.0; level AT %I* : INT; END_VAR
VAR_OUTPUT y : REAL; END_VAR
run := ref > 0.0 AND ready;
y := ref * gain;
END_FUNCTION_BLOCK
PROGRAM Line
VAR d : ARRAY[1..2] OF Drive; limits : ARRAY[1..3] OF INT; calls : INT; last : INT; END_VAR
d[1](ref := 1.0); d[2](ref := 1.0);
calls := calls + 1;
last := limits[2];
END_PROGRAM
"""
CONFIGURED = f"""{DRIVES}
CONFIGURATION Plant
  VAR_GLOBAL shared : DINT; END_VAR
  RESOURCE Cpu ON Any
    PROGRAM A : Line;
    PROGRAM B : Line;
  END_RESOURCE
  VAR_ACCESS
    Speed : Cpu.A.d[1].y : REAL READ_ONLY;
    Gain : A.d[1].gain : REAL READ_WRITE;
    Total : Plant.Cpu.shared : DINT READ_WRITE;
    Plain : %MW3 : WORD;
  END_VAR
  VAR_CONFIG
    Cpu.A.d[1].run AT %QX0.1 : BOOL;
    Cpu.A.d[2].run AT %QX0.2 : BOOL;
    Cpu.A.d[1].ready AT %IX0.0 : BOOL;
    Cpu.A.d[2].ready AT %IX0.1 : BOOL := TRUE;
    Cpu.A.d[1].gain : REAL := 2.5;
    Cpu.B.limits[2] : INT := 40;
    Cpu.B.d[1].level AT %IW7 : INT;
  END_VAR
END_CONFIGURATION
"""


def test_variables_of_instances_get_their_places(bench):
    """Each instance reads and writes the image where VAR_CONFIG puts it, both ways."""
    made = bench(CONFIGURED)
    made.scan()
    assert (made["%QX0.1"], made["%QX0.2"]) == (False, True)
    made["%IX0.0"] = True
    made["%IX0.1"] = False
    made.scan()
    assert (made["%QX0.1"], made["A.d[1].run"], made["%QX0.2"]) == (True, True, False)
    assert made["B.d[1].run"] is False
    made["B.d[1].level"] = -3
    assert made["%IW7"] == -3


def test_variables_of_instances_get_their_initial_values(bench):
    """Only the named instance starts differently."""
    made = bench(CONFIGURED)
    made.scan()
    assert (made["A.d[1].y"], made["A.d[2].y"], made["B.d[1].y"]) == (2.5, 1.0, 1.0)
    assert (made["A.last"], made["B.last"]) == (0, 40)


def test_placed_variables_are_in_snapshots_and_can_be_forced(bench):
    """A restore and a force reach them like any other variable."""
    made = bench(CONFIGURED)
    made["%IX0.0"] = True
    made.scan()
    saved = made.instance.snapshot()
    made["%IX0.0"] = False
    made.scan()
    assert made["%QX0.1"] is False
    made.instance.restore(saved)
    assert made["%QX0.1"] is True
    made.instance.force("A.d[1].ready", False)
    made.scan()
    assert made["%QX0.1"] is False
    assert made.instance.written("A.d[1].ready") is True
    made.instance.release_all()
    made.scan()
    assert made["%QX0.1"] is True
    other = made.application.instantiate()
    assert other.read("%QX0.1") is False


def test_access_paths_name_variables_from_outside(bench):
    """An access path is read by its name, and written if it is READ_WRITE."""
    made = bench(CONFIGURED)
    made["Gain"] = 4.0
    made["total"], made["%MW3"] = 12, 7
    made.scan()
    assert (made["SPEED"], made["Plain"], made["shared"]) == (4.0, 7, 12)
    for path in ("Speed", "Plain"):
        with pytest.raises(SoftctlError, match=f"got {path}: READ_ONLY"):
            made[path] = 1
        with pytest.raises(SoftctlError, match="READ_ONLY"):
            made.instance.writer([path])


@pytest.mark.parametrize(
    ("section", "line", "message"),
    [
        ("VAR_CONFIG", "R.A.d[1].rum AT %QX0.1 : BOOL;", "expected a variable of Drive, got rum"),
        ("VAR_CONFIG", "R.X.calls : INT := 1;", "expected a program instance or global variable"),
        ("VAR_CONFIG", "R.A.calls AT %MW1 : INT;", "expected a variable declared AT %M*, got R"),
        ("VAR_CONFIG", "R.A.d[1].run AT %IX0.1 : BOOL;", "expected a variable declared AT %I*"),
        ("VAR_CONFIG", "R.A.d[1].run AT %QB1 : BOOL;", "expected a type of 8 bits at %QB1"),
        ("VAR_CONFIG", "R.A.d[1].run AT %Q* : BOOL;", "expected a whole address"),
        ("VAR_CONFIG", "R.A.calls : DINT := 1;", "expected INT as declared there, got DINT"),
        ("VAR_CONFIG", "R.A.calls : INT := 99999;", "expected an INT (-32768 to 32767), got 99999"),
        ("VAR_CONFIG", "R.A.calls : INT;", "expected AT and an address, or := and"),
        ("VAR_CONFIG", "R.A.calls[1] : INT := 1;", "expected no index of INT"),
        ("VAR_CONFIG", "R.A.calls INT := 1;", "expected : and a type after the path, got INT"),
        ("VAR_ACCESS", "Calls : R.A.call : INT;", "expected a variable of Line, got call"),
        ("VAR_ACCESS", "A : R.A.calls : INT;", "expected a new name, got A"),
        ("VAR_ACCESS", "C : R.A.calls : INT; C : R.A.last : INT;", "expected a new name, got C"),
        ("VAR_ACCESS", "R.A.calls : INT;", "expected : and a path after the name, got ."),
    ],
)
def test_what_a_configuration_says_of_variables_is_checked(problems, section, line, message):
    """Each mistake is one error in its line."""
    found = problems(
        f"""{DRIVES}CONFIGURATION C RESOURCE R ON X PROGRAM A : Line; END_RESOURCE
{section} {line} END_VAR END_CONFIGURATION"""
    )
    assert len(found) == 1
    assert message in found[0].message
    assert found[0].place.line == DRIVES.count("\n") + 2
