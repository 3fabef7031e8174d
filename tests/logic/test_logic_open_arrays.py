"""ARRAY[*]: parameters that take arrays of any bounds (IEC 61131-3 third edition, table 15)."""

from __future__ import annotations

import pytest

from softctl.logic import LogicFault

UNITS = """
TYPE Item : STRUCT id : INT; ok : BOOL; END_STRUCT; END_TYPE
FUNCTION SumOf : REAL
VAR_IN_OUT a : ARRAY[*] OF REAL; END_VAR
VAR i : INT; END_VAR
FOR i := LOWER_BOUND(a, 1) TO UPPER_BOUND(a, 1) DO SumOf := SumOf + a[i]; END_FOR;
END_FUNCTION
FUNCTION Twice : REAL
VAR_IN_OUT b : ARRAY[*] OF REAL; END_VAR
Twice := SumOf(a := b) * 2.0;
END_FUNCTION
FUNCTION Drop : INT
VAR_INPUT v : ARRAY[*] OF Item; END_VAR
v[LOWER_BOUND(v, 1)].id := -1;
Drop := v[LOWER_BOUND(v, 1)].id + v[UPPER_BOUND(v, 1)].id;
END_FUNCTION
FUNCTION_BLOCK Diagonal
VAR_INPUT by : INT := 1; END_VAR
VAR_IN_OUT m : ARRAY[*, *] OF INT; END_VAR
VAR_OUTPUT sum, rows, columns : DINT; END_VAR
VAR i : DINT; END_VAR
sum := 0;
rows := UPPER_BOUND(m, 1) - LOWER_BOUND(m, 1) + 1;
columns := UPPER_BOUND(ARR := m, DIM := 2) - LOWER_BOUND(m, 2) + 1;
FOR i := 0 TO MIN(rows, columns) - 1 DO
    m[LOWER_BOUND(m, 1) + i, LOWER_BOUND(m, 2) + i] := by;
    sum := sum + m[LOWER_BOUND(m, 1) + i, LOWER_BOUND(m, 2) + i];
END_FOR;
END_FUNCTION_BLOCK
"""


def test_functions_take_arrays_of_any_bounds_and_pass_them_on(bench):
    """The bounds come with the array, through any number of calls."""
    made = bench(
        f"""{UNITS} PROGRAM P
        VAR x : ARRAY[1..3] OF REAL := [1.0, 2.0, 3.0]; y : ARRAY[-5..-4] OF REAL := [10.0, 20.0];
        s, t, u : REAL; END_VAR
        s := SumOf(x); t := SumOf(a := y); u := Twice(y) + Twice(b := x); END_PROGRAM"""
    )
    made.scan()
    assert (made["P.s"], made["P.t"], made["P.u"]) == (6.0, 30.0, 72.0)


def test_blocks_take_and_change_arrays_of_several_dimensions(bench):
    """The caller's own elements change; bounds are those of each call."""
    made = bench(
        f"""{UNITS} PROGRAM P
        VAR d : Diagonal; q : ARRAY[1..2, 5..7] OF INT; r : ARRAY[0..3, 0..3] OF INT; s : DINT;
        END_VAR
        d(m := q, sum => s); d(by := 2, m := r); END_PROGRAM"""
    )
    made.scan()
    assert (made["P.s"], made["P.q[2,6]"], made["P.q[2,7]"]) == (2, 1, 0)
    assert (made["P.d.sum"], made["P.d.rows"], made["P.r[3,3]"]) == (8, 4, 2)
    saved = made.instance.snapshot()
    made["P.r[3,3]"] = 9
    made.instance.restore(saved)
    assert made["P.r[3,3]"] == 2


def test_an_input_of_any_bounds_is_a_copy_if_it_is_changed(bench):
    """What the function does to its input stays inside."""
    made = bench(
        f"""{UNITS} PROGRAM P
        VAR v : ARRAY[1..2] OF Item := [(id := 5), (id := 7)]; r : INT; END_VAR
        r := Drop(v); END_PROGRAM"""
    )
    made.scan()
    assert (made["P.r"], made["P.v[1].id"]) == (6, 5)


def test_bounds_of_declared_arrays_are_constants(bench):
    """LOWER_BOUND and UPPER_BOUND of any array, also as another array's bounds."""
    made = bench(
        """PROGRAM P VAR a : ARRAY[-2..4, 1..3] OF BOOL; b : INT; c : DINT; END_VAR
        b := UPPER_BOUND(a, 1); c := LOWER_BOUND(a, 1) * 10 + UPPER_BOUND(a, 2); END_PROGRAM"""
    )
    made.scan()
    assert (made["P.b"], made["P.c"]) == (4, -17)
    assert not any("becomes" in str(warning) for warning in made.application.warnings)


def test_an_index_outside_of_the_given_array_is_a_fault(bench):
    """It names the bounds of the array that was given in this call."""
    made = bench(
        """FUNCTION Get : INT VAR_INPUT n : INT; END_VAR VAR_IN_OUT a : ARRAY[*] OF INT; END_VAR
        Get := a[n];
        END_FUNCTION
        PROGRAM P VAR a : ARRAY[3..5] OF INT; r, n : INT := 3; END_VAR
        r := Get(n, a); END_PROGRAM"""
    )
    made.scan()
    made["P.n"] = 6
    with pytest.raises(LogicFault, match=r"index between 3 and 5, got 6 \(p\.st:2\).*N = 6"):
        made.scan()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("PROGRAM P VAR a : ARRAY[*] OF INT; END_VAR END_PROGRAM", "expected bounds"),
        ("TYPE T : ARRAY[*] OF INT; END_TYPE", "expected bounds"),
        (
            "FUNCTION_BLOCK B VAR_INPUT a : ARRAY[*] OF INT; END_VAR END_FUNCTION_BLOCK",
            "expected bounds",
        ),
        (
            (
                f"{UNITS} PROGRAM P VAR a : ARRAY[1..2] OF INT; r : REAL; END_VAR r := SumOf(a);"
                " END_PROGRAM"
            ),
            "expected a variable of type ARRAY[*] OF REAL for a, got ARRAY[1..2] OF INT",
        ),
        (
            (
                f"{UNITS} PROGRAM P VAR a : ARRAY[1..2, 1..2] OF REAL; r : REAL; END_VAR"
                " r := SumOf(a); END_PROGRAM"
            ),
            "expected a variable of type ARRAY[*] OF REAL for a",
        ),
        (
            (
                f"{UNITS} PROGRAM P VAR a : ARRAY[1..2] OF REAL; r : INT; END_VAR"
                " r := UPPER_BOUND(a, 2); END_PROGRAM"
            ),
            "expected a constant from 1 to 1 as DIM of UPPER_BOUND",
        ),
        ("PROGRAM P VAR r : INT; END_VAR r := LOWER_BOUND(r, 1); END_PROGRAM", "expected an array"),
        (
            f"{UNITS} PROGRAM P VAR r : INT; END_VAR r := Drop(); END_PROGRAM",
            "expected an array for v",
        ),
    ],
)
def test_where_arrays_of_any_bounds_do_not_fit_is_an_error(problems, text, message):
    """Parameters only, and an array with as many dimensions of the same element."""
    assert message in problems(text)[0].message
