"""Arithmetic of every numeric and bit-string type against numpy's scalars of the same width.

Whole numbers wrap, REAL and LREAL round each operation to their own width, shifts and
rotations stay within theirs. Quotients of whole numbers are checked against exact integers:
numpy's floor, the standard's truncate (IEC 61131-3 table 29, from memory).
"""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
import pytest
from conversion_oracle import BITS, DTYPES, INTS
from hypothesis import given, settings
from hypothesis import strategies as st

from softctl.logic import Instance, LogicFault, Source, compile_application
from softctl.logic.application import Application

REALS = {"REAL": np.float32, "LREAL": np.float64}


@cache
def application(type_: str, results: tuple[tuple[str, str], ...], extra: str = "") -> Application:
    """A program with one variable for each of (type, expression) over a, b and c."""
    declared = " ".join(f"r{i} : {t};" for i, (t, _) in enumerate(results))
    body = "\n".join(f"r{i} := {text};" for i, (_, text) in enumerate(results))
    text = f"PROGRAM P VAR a, b, c : {type_}; {extra} {declared} END_VAR\n{body}\nEND_PROGRAM"
    return compile_application([Source("p.st", text)])


def run(made: Application, values: dict[str, Any], count: int) -> tuple[Any, ...]:
    """The results for some values."""
    instance: Instance = made.instantiate()
    instance.writer([f"P.{name}" for name in values])(list(values.values()))
    instance.scan(0)
    return instance.reader([f"P.r{i}" for i in range(count)])()


def numbers(type_: str) -> st.SearchStrategy[int]:
    """Any value of a whole-number type, often one near a limit or near zero."""
    info = np.iinfo(DTYPES[type_])
    low, high = int(info.min), int(info.max)
    near = [n for edge in (low, high, 0) for n in range(edge - 3, edge + 4) if low <= n <= high]
    return st.sampled_from(near) | st.integers(low, high)


WHOLE = ["a + b", "a - b", "a * b", "a * b + c", "(a - b) * (b - c)", "a + b - c * a"]
COMPARED = ["a < b", "a <= b", "a > b", "a >= b", "a = b", "a <> b"]
CHOSEN = ["MIN(a, b, c)", "MAX(a, b, c)", "LIMIT(a, b, c)"]


def whole_results(a: Any, b: Any, c: Any) -> list[Any]:
    """The same with numpy's scalars."""
    return [a + b, a - b, a * b, a * b + c, (a - b) * (b - c), a + b - c * a]


@pytest.mark.parametrize("type_", INTS)
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_whole_numbers_wrap_and_compare_as_numpys(type_, data):
    """+ - * wrap to the declared width, comparisons and selections take the exact values."""
    results = tuple(
        [(type_, text) for text in WHOLE]
        + [("BOOL", text) for text in COMPARED]
        + [(type_, text) for text in CHOSEN]
        + ([(type_, "-a"), (type_, "ABS(a)"), (type_, "-a * -b")] if type_ in INTS[:4] else [])
    )
    a, b, c = (data.draw(numbers(type_)) for _ in range(3))
    x, y, z = (DTYPES[type_](n) for n in (a, b, c))
    with np.errstate(over="ignore"):
        wanted = [n.item() for n in whole_results(x, y, z)]
        wanted += [a < b, a <= b, a > b, a >= b, a == b, a != b]
        wanted += [min(a, b, c), max(a, b, c), min(max(b, a), c)]
        if type_ in INTS[:4]:
            wanted += [(-x).item(), np.abs(x).item(), (-x * -y).item()]
    found = run(application(type_, results), {"a": a, "b": b, "c": c}, len(results))
    assert list(found) == wanted
    assert [type(v) for v in found] == [type(v) for v in wanted]


@pytest.mark.parametrize("type_", INTS)
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_quotients_and_remainders_truncate(type_, data):
    """/ goes towards zero and wraps, MOD has the dividend's sign; by zero a fault, and 0."""
    a, b = data.draw(numbers(type_)), data.draw(numbers(type_))
    made = application(type_, ((type_, "a MOD b"),))
    rest = int(math.fmod(a, b)) if b and max(abs(a), abs(b)) < 2**53 else None
    if b and rest is None:
        rest = abs(a) % abs(b) * (1 if a >= 0 else -1)
    assert run(made, {"a": a, "b": b}, 1) == (rest if b else 0,)
    made = application(type_, ((type_, "a / b"),))
    if b == 0:
        with pytest.raises(LogicFault, match="divisor"):
            run(made, {"a": a, "b": b}, 1)
        return
    exact = abs(a) // abs(b) * (1 if (a < 0) == (b < 0) else -1)
    wrapped = np.array(exact % 2**64, np.uint64).astype(DTYPES[type_]).item()
    assert run(made, {"a": a, "b": b}, 1) == (wrapped,)
    assert wrapped * b + rest == a or wrapped != exact


SHIFTS = ["SHL(a, n)", "SHR(a, n)", "ROL(a, n)", "ROR(a, n)"]
LOGIC = ["a AND b", "a OR b", "a XOR b", "NOT a", "a XOR NOT b AND c"]


@pytest.mark.parametrize("type_", BITS)
@settings(max_examples=80, deadline=None)
@given(data=st.data())
def test_bit_strings_keep_to_their_width(type_, data):
    """Shifts lose bits and fill with 0, rotations lose none, for counts beyond the width too."""
    a, b, c = (data.draw(numbers(type_)) for _ in range(3))
    count = data.draw(st.integers(0, 140))
    results = tuple((type_, text) for text in [*SHIFTS, *LOGIC])
    made = application(type_, results, "n : UINT;")
    x, y, z = (DTYPES[type_](n) for n in (a, b, c))
    width = 8 * x.itemsize
    bits = np.unpackbits(np.frombuffer(x.byteswap().tobytes(), np.uint8))
    lost = min(count, width)
    moved = [
        np.concatenate([bits[lost:], np.zeros(lost, np.uint8)]),
        np.concatenate([np.zeros(lost, np.uint8), bits[: width - lost]]),
        np.roll(bits, -count),
        np.roll(bits, count),
    ]
    wanted = [int("".join(map(str, row)), 2) for row in moved]
    wanted += [n.item() for n in (x & y, x | y, x ^ y, ~x, x ^ (~y & z))]
    found = run(made, {"a": a, "b": b, "c": c, "n": count}, len(results))
    assert list(found) == wanted


REAL_TEXTS = ["a + b", "a - b", "a * b", "a * b + c", "(a + b) * (a - c)", "-a", "ABS(a)"]
REAL_TEXTS += ["SQRT(ABS(a))", "a * 0.1", "n * a + b", "a - b / 3.0"]


@pytest.mark.parametrize("type_", list(REALS))
@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_real_numbers_round_each_operation(type_, data):
    """Every operation rounds to the type's own width, exactly as numpy's scalar does."""
    scalar, width = REALS[type_], 32 if type_ == "REAL" else 64
    values = st.floats(width=width, allow_nan=False, allow_infinity=False)
    a, b, c = (data.draw(values | st.floats(-1e3, 1e3, width=width)) for _ in range(3))
    n = data.draw(st.integers(-32768, 32767))
    results = tuple((type_, text) for text in REAL_TEXTS) + tuple(("BOOL", t) for t in COMPARED)
    found = run(
        application(type_, results, "n : INT;"), {"a": a, "b": b, "c": c, "n": n}, len(results)
    )
    x, y, z, k = (scalar(v) for v in (a, b, c, n))
    with np.errstate(all="ignore"):
        wanted = [x + y, x - y, x * y, x * y + z, (x + y) * (x - z), -x, np.abs(x)]
        wanted += [np.sqrt(np.abs(x)), x * scalar(0.1), k * x + y, x - y / scalar(3)]
    for text, value, other in zip(REAL_TEXTS, found, wanted, strict=False):
        assert isinstance(other, scalar)
        assert np.array_equal(value, float(other), equal_nan=True), text
        assert isinstance(value, float)
    assert list(found[len(REAL_TEXTS) :]) == [a < b, a <= b, a > b, a >= b, a == b, a != b]


@pytest.mark.parametrize("type_", list(REALS))
@settings(max_examples=80, deadline=None)
@given(data=st.data())
def test_real_quotients_round_once(type_, data):
    """a / b is numpy's; a zero divisor is a fault."""
    scalar, width = REALS[type_], 32 if type_ == "REAL" else 64
    values = st.floats(width=width, allow_nan=False, allow_infinity=False)
    a, b = data.draw(values), data.draw(values | st.just(0.0))
    made = application(type_, ((type_, "a / b"),))
    if b == 0:
        with pytest.raises(LogicFault, match="divisor"):
            run(made, {"a": a, "b": b}, 1)
        return
    with np.errstate(all="ignore"):
        wanted = float(scalar(a) / scalar(b))
    assert run(made, {"a": a, "b": b}, 1) == (wanted,)
