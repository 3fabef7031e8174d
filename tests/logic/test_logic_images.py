"""Addresses, tasks, joined program instances and retained variables."""

from __future__ import annotations

import pytest

from softctl.errors import SoftctlError
from softctl.logic import Source, compile_application


def test_addresses_overlap_as_memory_does(bench):
    """Bit, byte, word and typed views of one place see each other's writes."""
    made = bench(
        """PROGRAM P VAR w AT %MW5 : WORD; b AT %MB11 : BYTE; x AT %MX10.3 : BOOL;
        i AT %MW5 : INT; r AT %MD8 : REAL; d AT %MD8 : DWORD; END_VAR
        IF x THEN r := 1.0; END_IF; END_PROGRAM"""
    )
    made["P.w"] = 0x8108
    assert (made["P.b"], made["P.x"], made["P.i"]) == (0x81, True, -32504)
    made.scan()
    assert made["P.d"] == 0x3F800000
    made["P.i"] = -1
    made["P.x"] = False
    assert (made["P.w"], made["%MB11"], made["%MX10.3"]) == (0xFFF7, 0xFF, False)


def test_addresses_are_shared_by_programs_and_kept_by_snapshots(bench):
    """Two programs that name one address mean one variable, and its bits are state."""
    made = bench(
        """PROGRAM A VAR go AT %IX0.0 : BOOL; END_VAR %QX4.0 := go; END_PROGRAM
        PROGRAM B VAR out AT %QB4 : BYTE; n : INT; END_VAR
        IF out <> 0 THEN n := n + 1; END_IF; END_PROGRAM"""
    )
    saved = made.instance.snapshot()
    made["%IX0.0"] = True
    made.scan()
    assert (made["A.go"], made["B.out"], made["B.n"]) == (True, 1, 1)
    made.instance.restore(saved)
    assert (made["%IX0.0"], made["B.out"]) == (False, 0)


def test_unknown_addresses_are_explained(bench, problems):
    """A path no program uses lists those in use; a type of another size is an error."""
    made = bench("PROGRAM P VAR a AT %IX0.0 : BOOL; END_VAR END_PROGRAM")
    with pytest.raises(
        SoftctlError, match=r"an address that a program uses \(%IX0.0\), got %IX9.0"
    ):
        made.instance.read("%IX9.0")
    found = problems("PROGRAM P VAR a AT %IW0 : DINT; END_VAR a := 1; END_PROGRAM")
    assert "expected a type of 16 bits at %IW0, got DINT" in found[0].message


def test_outputs_by_address_with_two_writers_are_doubtful():
    """An output that two programs write is warned of by address, too."""
    text = "PROGRAM A %QX0.0 := TRUE; END_PROGRAM PROGRAM B %QX0.0 := FALSE; END_PROGRAM"
    warnings = compile_application([Source("p.st", text)]).warnings
    assert any("%QX0.0 is written by A and B" in warning.message for warning in warnings)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("PROGRAM A : Q(x := 1);", "expected an input of Q, got x"),
        ("PROGRAM A : Q(a := TRUE);", "expected an INT, got a BOOL"),
        ("PROGRAM A : Q(b => shared);", "expected a global variable of type BOOL, got INT"),
        ("PROGRAM A WITH T9 : Q;", "expected a task, got T9"),
        ("PROGRAM A : Q; PROGRAM A : Q;", "program instance A is declared twice"),
        ("TASK T(SINGLE := shared);", "expected a global BOOL variable, got an INT"),
    ],
)
def test_configurations_are_checked(problems, line, message):
    """Tasks and connections name what they need."""
    text = f"""PROGRAM Q VAR_INPUT a : INT; END_VAR VAR_OUTPUT b : BOOL; END_VAR b := a > 0;
    END_PROGRAM CONFIGURATION C VAR_GLOBAL shared : INT; END_VAR {line}
    PROGRAM Z : Q; END_CONFIGURATION"""
    assert any(message in problem.message for problem in problems(text))


def test_arrays_at_addresses_are_made_of_what_is_there(bench):
    """Elements overlap bits, bytes and words as single variables do; %QX0.7 leads to %QX1.0."""
    made = bench(
        """PROGRAM P VAR
        raw AT %IB0 : ARRAY[0..3] OF BYTE; low AT %IW0 : WORD; bit AT %IX1.2 : BOOL;
        outs AT %QX0.6 : ARRAY[1..4] OF BOOL := [TRUE, FALSE, TRUE, FALSE]; ob AT %QW0 : WORD;
        kept AT %MW10 : ARRAY[1..4] OF INT; one AT %MW11 : INT; i : INT; sum : UINT;
        copy : ARRAY[0..3] OF BYTE; END_VAR
        sum := 0;
        FOR i := 0 TO 3 DO sum := sum + BYTE_TO_UINT(raw[i]); END_FOR;
        copy := raw; outs[2] := bit; kept[2] := -7; kept[1] := kept[2] + one;
        END_PROGRAM"""
    )
    made["%IB0"], made["%IB1"], made["P.raw[3]"] = 1, 4, 16
    made.scan()
    assert (made["P.sum"], made["P.low"], made["P.copy[1]"]) == (21, 0x0401, 4)
    assert made["P.ob"] == 0b01_1100_0000
    assert (made["P.one"], made["P.kept[1]"]) == (-7, -14)
    saved = made.instance.snapshot()
    made["P.raw[0]"] = made["P.outs[4]"] = 1
    assert (made["%IW0"], made["%QX1.1"]) == (0x0401, True)
    made.instance.restore(saved)
    assert made["%QX1.1"] is False
    made.instance.force("P.raw[1]", 0)
    made.scan()
    assert made["P.sum"] == 17


def test_an_array_at_an_address_needs_elements_of_its_size(problems):
    """The message names the bits of the address."""
    found = problems("PROGRAM P VAR a AT %MB0 : ARRAY[0..3] OF INT; END_VAR END_PROGRAM")
    assert "expected a type of 8 bits at %MB0, got INT" in found[0].message


def test_retained_variables_are_listed_by_path(bench):
    """RETAIN holds for whole structures, arrays and blocks, wherever they are."""
    made = bench(
        """TYPE S : STRUCT a : INT; b : ARRAY[1..2] OF BOOL; END_STRUCT; END_TYPE
        VAR_GLOBAL RETAIN total : UDINT; m AT %MW4 : ARRAY[0..1] OF INT; END_VAR
        VAR_GLOBAL gone : INT; END_VAR
        FUNCTION_BLOCK B VAR RETAIN n : INT; END_VAR VAR t : INT; END_VAR n := n + 1; t := n;
        END_FUNCTION_BLOCK
        PROGRAM P VAR RETAIN s : S; END_VAR VAR f : B; x : INT; l : ARRAY[0..1] OF B; END_VAR
        f(); x := gone; END_PROGRAM"""
    )
    assert made.application.retained == (
        "total",
        "%MW4",
        "%MW5",
        "P.s.a",
        "P.s.b[1]",
        "P.s.b[2]",
        "P.f.n",
        "P.l[0].n",
        "P.l[1].n",
    )
    made.instance.reader(made.application.retained)()


@pytest.mark.parametrize(("value", "steps"), [(1, 11), (2, 2), (3, 6)])
def test_return_leaves_an_action_and_not_the_program(bench, value, steps):
    """RETURN ends the action, from inside loops too; the actions behind it still run."""
    made = bench(
        f"""PROGRAM P VAR x : INT := {value}; n, i, after : INT; END_VAR
        INITIAL_STEP A: Work(N); Later(N); END_STEP
        ACTION Work: IF x = 2 THEN n := 2; RETURN; END_IF;
            FOR i := 1 TO 10 DO n := n + 1; IF x = 3 AND n = 6 THEN RETURN; END_IF; END_FOR;
            n := n + 1; END_ACTION
        ACTION Later: after := after + 1; END_ACTION END_PROGRAM"""
    )
    made.scan()
    assert (made["P.n"], made["P.after"]) == (steps, 1)
