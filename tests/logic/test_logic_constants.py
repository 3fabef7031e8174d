"""Constants are what the run-time would make of them: types of literals, rounding, folding."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from softctl.logic import Source, compile_application

_WORK = {"+": np.add, "-": np.subtract, "*": np.multiply, "/": np.divide}


def _literals(rng: random.Random, depth: int, scalar: type) -> tuple[str, object]:
    """An expression of untyped real literals, and its value in one type throughout."""
    if depth == 0 or rng.random() < 0.2:
        text = f"{rng.uniform(0.001, 1000):.6g}"
        text = text if "." in text and "e" not in text else "2.5"
        return text, scalar(float(text))
    left, a = _literals(rng, depth - 1, scalar)
    right, b = _literals(rng, depth - 1, scalar)
    if rng.random() < 0.2:
        return f"(-({left}))", -a
    sign = rng.choice("+-*" if b == 0 else "+-*/")
    return f"({left} {sign} {right})", _WORK[sign](a, b)


def _value(text: str, type_: str) -> float:
    source = (
        f"PROGRAM P VAR x : {type_} := 1.5; r : {type_}; END_VAR r := x * ({text}); END_PROGRAM"
    )
    instance = compile_application([Source("p.st", source)]).instantiate()
    instance.scan(0)
    return instance.read("P.r")


@pytest.mark.parametrize(("type_", "scalar"), [("REAL", np.float32), ("LREAL", np.float64)])
@settings(max_examples=150, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_operations_on_literals_round_as_variables_would(type_, scalar, seed):
    """Literals take the type around them, so folding rounds each step to that type."""
    text, value = _literals(random.Random(seed), 4, scalar)
    with np.errstate(all="ignore"):
        wanted = float(scalar(1.5) * value)
    assert _value(text, type_) == wanted or wanted != wanted


@settings(max_examples=60, deadline=None)
@given(value=st.integers(-(1 << 63), (1 << 63) - 1))
def test_long_numbers_round_once_to_real_folded_or_not(value):
    """A LINT becomes the nearest REAL, in a constant and at run time (numpy's int64 cast)."""
    text = (
        f"PROGRAM P VAR n : LINT; a, b : REAL; c : REAL := {value}; END_VAR"
        f" a := LINT_TO_REAL(n); b := LINT_TO_REAL(LINT#{value}); END_PROGRAM"
    )
    instance = compile_application([Source("p.st", text)]).instantiate()
    instance.write("P.n", value)
    instance.scan(0)
    wanted = float(np.int64(value).astype(np.float32))
    assert [instance.read(f"P.{name}") for name in "abc"] == [wanted] * 3


@pytest.mark.parametrize("type_", ["ULINT", "LWORD"])
def test_unsigned_numbers_round_once_to_real(evaluate, type_):
    """2**60 + 2**36 + 1 is above the middle of two REALs, which binary64 cannot tell."""
    value = (1 << 60) + (1 << 36) + 1
    found = evaluate(f"{type_}_TO_REAL(n)", "REAL", f"n : {type_} := {value};")
    assert found == float(np.uint64(value).astype(np.float32)) == 1.1529216420458004e18


def test_a_literal_makes_an_int_long_where_the_result_is(evaluate):
    """The surroundings type the literal: INT * 0.1 for an LREAL is computed as LREAL."""
    assert evaluate("n * 0.1", "LREAL", "n : INT := 3;") == 3 * 0.1
    assert evaluate("n * 0.1", "REAL", "n : INT := 3;") == float(np.float32(3) * np.float32(0.1))


def test_whole_literals_divide_as_whole_numbers_with_a_warning(bench):
    """1 / 3 is 0, which hardly anybody means."""
    made = bench("PROGRAM P VAR r : REAL; END_VAR r := 1 / 3; END_PROGRAM")
    made.scan()
    assert made["P.r"] == 0.0
    assert "1 / 3 of whole numbers is 0: write 1.0 / 3.0" in str(made.application.warnings[0])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("(-8.0) ** 0.5", "within the range"),
        ("2 ** 9999", "within the range"),
        ("1.0 / 0.0", "divisor other than zero"),
        ("x + 1.0 / 1.0E-60", "computed as REAL"),
        ("9" * 5000, "whole number"),
    ],
)
def test_constants_that_have_no_value_are_errors(problems, text, message):
    """Each is reported where it stands, without a crash."""
    found = problems(f"PROGRAM P VAR x, r : REAL; END_VAR r := {text}; END_PROGRAM")
    assert len(found) == 1
    assert message in found[0].message
