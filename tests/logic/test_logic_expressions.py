"""Operators and conversions, against IEC 61131-3 (third edition)."""

from __future__ import annotations

import numpy
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from softctl.logic import LogicFault, Source, compile_application


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


@pytest.mark.parametrize(
    ("type_", "dtype"),
    [
        ("SINT", numpy.int8),
        ("INT", numpy.int16),
        ("DINT", numpy.int32),
        ("LINT", numpy.int64),
        ("USINT", numpy.uint8),
        ("UINT", numpy.uint16),
        ("UDINT", numpy.uint32),
        ("ULINT", numpy.uint64),
    ],
)
@settings(max_examples=30, deadline=None)
@given(data=st.data())
def test_whole_numbers_wrap_like_numpy(type_, dtype, data):
    """+, - and * wrap to the declared width exactly as numpy's scalars do."""
    made = _machine(type_)
    info = numpy.iinfo(dtype)
    values = [data.draw(st.integers(int(info.min), int(info.max))) for _ in range(3)]
    made.writer(["P.a", "P.b", "P.c"])(values)
    made.scan(0)
    a, b, c = numpy.array(values, dtype=dtype)
    with numpy.errstate(over="ignore"):
        expected = (a + b, a - b, a * b, a * b + c - a, -a)
    assert made.reader(["P.s", "P.d", "P.m", "P.k", "P.n"])() == tuple(int(x) for x in expected)


def _machine(type_: str):
    text = f"""PROGRAM P
        VAR a, b, c, s, d, m, k, n : {type_}; END_VAR
        s := a + b; d := a - b; m := a * b; k := a * b + c - a; n := -a;
        END_PROGRAM"""
    return compile_application([Source("p.st", text)]).instantiate()


@settings(max_examples=200, deadline=None)
@given(*[st.floats(width=32, allow_nan=False, allow_infinity=False)] * 3)
def test_real_rounds_each_operation_like_numpy(a, b, c):
    """REAL keeps 32 bits after every operation, as numpy.float32 does."""
    made = _reals()
    made.writer(["P.a", "P.b", "P.c"])([a, b, c])
    made.scan(0)
    x, y, z = numpy.float32(a), numpy.float32(b), numpy.float32(c)
    with numpy.errstate(all="ignore"):
        expected = (x * y + z, x - y * z, x * numpy.float32(0.1))
    got = made.reader(["P.p", "P.q", "P.r"])()
    assert numpy.array_equal(numpy.array(got), numpy.array(expected, float), equal_nan=True)


_CACHE: dict[str, object] = {}


def _reals():
    text = """PROGRAM P VAR a, b, c, p, q, r : REAL; END_VAR
        p := a * b + c; q := a - b * c; r := a * 0.1; END_PROGRAM"""
    if "reals" not in _CACHE:
        _CACHE["reals"] = compile_application([Source("p.st", text)])
    return _CACHE["reals"].instantiate()


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
