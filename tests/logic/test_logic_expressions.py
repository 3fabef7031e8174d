"""Operators and conversions, against IEC 61131-3 (third edition)."""

from __future__ import annotations

import pytest

from softctl.logic import LogicFault


@pytest.mark.parametrize("type_", ["INT", "LREAL", "REAL"])
def test_division_by_zero_is_a_fault_with_its_line(bench, type_):
    """Dividing by zero names the ST file and line and shows the values."""
    made = bench(f"PROGRAM P\nVAR a, b : {type_}; END_VAR\na := 1;\na := a / b;\nEND_PROGRAM")
    with pytest.raises(LogicFault, match=r"divisor .*p\.st:4.*A = 1"):
        made.scan()


@pytest.mark.parametrize(
    ("call", "value"),
    [  # IEC 61131-3 table 32, from memory
        ("LIMIT(2, a, 8)", 5),
        ("LIMIT(6, a, 8)", 6),
        ("LIMIT(2, a, 3)", 3),
        ("LIMIT(8, a, 2)", 2),  # MIN(MAX(5, 8), 2)
        ("MIN(a, 3, 9)", 3),
        ("MAX(a, 3, 9)", 9),
        ("SEL(FALSE, a, 7)", 5),
        ("SEL(TRUE, a, 7)", 7),
        ("MUX(0, a, 7, 8)", 5),
        ("MUX(2, a, 7, 8)", 8),
        ("SEL(G := TRUE, IN0 := a, IN1 := 7)", 7),
        ("MAX(IN1 := a, IN2 := 9)", 9),
        ("ADD(a, 1, 2)", 8),
        ("ADD_INT(a, 1)", 6),
    ],
)
def test_selection_functions(evaluate, call, value):
    """Selection by position, by name and by typed name."""
    assert evaluate(call, "INT", "a : INT := 5;") == value


def test_times_add_and_scale(evaluate):
    """Durations add, subtract, scale and compare (IEC 61131-3 table 30)."""
    assert evaluate("T#1s + T#500ms", "TIME") == 1_500_000_000
    assert evaluate("t * 3", "TIME", "t : TIME := T#2s;") == 6_000_000_000
    assert evaluate("t / 4", "TIME", "t : TIME := T#2s;") == 500_000_000
    assert evaluate("t * x", "TIME", "t : TIME := T#2s; x : REAL := 1.5;") == 3_000_000_000
    assert evaluate("DT#2024-03-01-00:00:00 - DT#2024-02-28-00:00:00", "TIME") == 2 * 86_400 * 10**9


def test_durations_as_numbers_count_milliseconds(evaluate):
    """TIME_TO_DINT gives milliseconds and DINT_TO_TIME takes them (common practice)."""
    assert evaluate("TIME_TO_DINT(t)", "DINT", "t : TIME := T#1m2.5s;") == 62_500
    assert evaluate("TIME_TO_REAL(t)", "REAL", "t : TIME := T#1.5ms;") == 1.5
    assert evaluate("DINT_TO_TIME(d)", "TIME", "d : DINT := 1500;") == 1_500_000_000
    assert evaluate("REAL_TO_TIME(x)", "TIME", "x : REAL := 0.5;") == 500_000
    assert evaluate("INT_TO_TIME(250)", "TIME") == 250_000_000


def test_or_stops_before_a_faulty_operand(evaluate):
    """The right operand of AND and OR is evaluated only where it decides."""
    assert evaluate("b <> 0 AND a / b > 1", "BOOL", "a, b : INT;") is False


def test_bits_of_a_word_are_read_and_written(bench):
    """x.3 and x.%B1 name parts of a bit string."""
    made = bench(
        """PROGRAM P VAR w : WORD := 16#1234; b : BOOL; y : BYTE; i : INT; END_VAR
        b := w.%X2; y := w.%B1; w.%X0 := TRUE; w.%X2 := FALSE; w.%B1 := 16#AB; i.%X15 := TRUE;
        END_PROGRAM"""
    )
    made.scan()
    assert (made["P.b"], made["P.y"], made["P.w"], made["P.i"]) == (True, 0x12, 0xAB31, -32768)
