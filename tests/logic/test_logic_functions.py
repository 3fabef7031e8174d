"""Calls of functions: names of parameters, EN and ENO, constants that are calls."""

from __future__ import annotations

import math

import numpy as np
import pytest


@pytest.mark.parametrize(
    ("expression", "value"),
    [
        ("SUB(IN2 := 1, IN1 := 5)", 4),
        ("DIV(IN2 := 2, IN1 := 9)", 4),
        ("ADD(IN1 := 1, IN2 := 2, IN3 := 3)", 6),
        ("SUB_INT(IN2 := INT#1, IN1 := INT#5)", 4),
        ("REAL_TO_DINT(IN := 2.5)", 2),
        ("MOD(IN1 := 7, IN2 := 4)", 3),
        ("SHL(N := 3, IN := BYTE#1)", 8),
        ("SEL(IN1 := 5, IN0 := 4, G := TRUE)", 5),
        ("LIMIT(MX := 9, IN := 12, MN := 0)", 9),
    ],
)
def test_standard_functions_take_their_arguments_by_name_in_any_order(evaluate, expression, value):
    """Parameter names are those of IEC 61131-3, tables 28 to 36."""
    assert evaluate(expression) == value


@pytest.mark.parametrize(
    ("call", "message"),
    [
        ("SUB(IN1 := 1, IN3 := 2)", "expected IN1, IN2 of SUB, got IN3"),
        ("ADD(1)", "expected 2 or more arguments of ADD, got 1"),
        ("DIV(1, 2, 3)", "expected IN1, IN2 of DIV, got argument 3"),
        ("REAL_TO_DINT(x := 1.0)", "expected IN of REAL_TO_DINT, got x"),
        ("NOT(a, a)", "expected"),
        ("SHL(BYTE#1, 'a')", "expected ANY_INT as N of SHL, got a string"),
        ("SHL(BYTE#1, TRUE)", "expected ANY_INT as N of SHL, got BOOL"),
        ("LEFT('abc', 1.5)", "expected ANY_INT as L of LEFT, got a real number"),
    ],
)
def test_arguments_that_have_no_parameter_are_errors(problems, call, message):
    """The message names the parameters that there are."""
    found = problems(f"PROGRAM P VAR r : DINT; a : BOOL; END_VAR r := {call}; END_PROGRAM")
    assert message in found[0].message


GUARDED = """
FUNCTION Half : INT VAR_INPUT n, d : INT; END_VAR Half := n / d; END_FUNCTION
PROGRAM P VAR en, ok, ok2 : BOOL; d, r, s, t : INT; END_VAR
r := 100 + DIV(EN := en, IN1 := 12, IN2 := d, ENO => ok);
s := 1 + Half(EN := en, n := 12, d := 4) * 10;
t := 1 + Half(n := 12, d := d, ENO => ok2);
END_PROGRAM
"""


def test_a_disabled_call_inside_an_expression_counts_as_its_types_default(bench):
    """ENO tells whether the call was made without a fault (IEC 61131-3 table 18)."""
    made = bench(GUARDED)
    seen = []
    for en, d in ((False, 3), (True, 3), (True, 0)):
        made["P.en"], made["P.d"] = en, d
        made.scan()
        seen.append(tuple(made[f"P.{name}"] for name in ("r", "ok", "s", "t", "ok2")))
    assert seen == [(100, False, 1, 5, True), (104, True, 31, 5, True), (100, False, 31, 1, False)]


CONSTANTS = {
    "SQRT(2.0)": ("LREAL", math.sqrt(2.0)),
    "SQRT(2.0) * 0.1": ("REAL", float(np.float32(np.sqrt(np.float32(2.0))) * np.float32(0.1))),
    "SHL(WORD#1, 4)": ("WORD", 16),
    "CONCAT('a', 'b', 'c')": ("STRING[3]", "abc"),
    "MAX(3, 7) + ABS(-5)": ("INT", 12),
    "LIMIT(0, 200, 100)": ("INT", 100),
    "REAL_TO_INT(2.5)": ("INT", 2),
    "TRUNC(-2.9)": ("DINT", -2),
    "TIME_TO_DINT(T#1s)": ("DINT", 1000),
    "T#1s * 3": ("TIME", 3_000_000_000),
    "T#1s * 0.5": ("TIME", 500_000_000),
    "DINT_TO_TIME(250)": ("TIME", 250_000_000),
    "INT_TO_STRING(42)": ("STRING", "42"),
    "STRING_TO_REAL('2.5')": ("REAL", 2.5),
    "LEN('hello')": ("INT", 5),
    "UINT_TO_BCD_WORD(369)": ("WORD", 0x369),
    "ROL(BYTE#16#81, 1)": ("BYTE", 3),
    "SEL(TRUE, 1, 2)": ("INT", 2),
    "EXPT(2.0, 3.0)": ("REAL", 8.0),
    "DATE_TO_DT(D#2024-02-29) + T#1h": ("DT", 1_709_168_400_000_000_000),
}


@pytest.mark.parametrize("text", CONSTANTS)
def test_calls_with_constant_arguments_are_constants(bench, text):
    """They serve as initial values and CONSTANT, with the value that the run would give."""
    type_, wanted = CONSTANTS[text]
    made = bench(
        f"VAR_GLOBAL CONSTANT g : {type_} := {text}; END_VAR\n"
        f"PROGRAM P VAR a : {type_} := g; b : {type_}; END_VAR b := {text}; END_PROGRAM"
    )
    made.scan()
    assert made["P.a"] == made["P.b"] == wanted


def test_constant_calls_bound_arrays_and_label_cases(bench):
    """Wherever the grammar asks for a constant a call on constants will do."""
    made = bench(
        """PROGRAM P VAR a : ARRAY[0..MAX(2, 3)] OF INT; i : INT; r : INT; END_VAR
        a[3] := 1;
        CASE i OF SHL(WORD#1, 2): r := 1; LEN('ab'): r := 2; END_CASE;
        END_PROGRAM"""
    )
    made["P.i"] = 2
    made.scan()
    assert (made["P.a[3]"], made["P.r"]) == (1, 2)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("SQRT(-1.0)", "expected a number from 0 up under SQRT"),
        ("LN(0.0)", "expected arguments for which this has a value"),
        ("STRING_TO_REAL('x')", "expected a text that is a REAL"),
        ("USINT_TO_BCD_BYTE(123)", "expected a number of up to 2 digits"),
        ("REAL#1.0 / 0.0", "expected a divisor other than zero"),
        ("SQRT(x)", "expected a constant as initial value"),
    ],
)
def test_constant_calls_without_a_value_are_errors_of_the_compilation(problems, text, message):
    """What would be a fault of every run is told before any."""
    found = problems(f"PROGRAM P VAR x : REAL; y : REAL := {text}; END_VAR END_PROGRAM")
    assert len(found) == 1
    assert message in found[0].message
