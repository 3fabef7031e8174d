"""Literals, against IEC 61131-3 tables 5 to 9."""

from __future__ import annotations

import pytest


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("16#XY", "digits of base 16"),
        ("3#12", "base 2, 8, 10 or 16"),
        ("T#5parsecs", "a duration such as"),
        ("T#1.5m3s", "fraction only on the last unit"),
        ("T#3s1m", "in the order"),
        ("D#1984-13-25", "a date such as"),
        ("TOD#25:00:00", "before 24:00:00"),
        ("USINT#256", "0 to 255"),
        ("'$XY'", "an escape such as"),
        ("T#200000d", "up to 106751 days"),
        ("D#2300-01-01", "between 1677-09-22 and 2262-04-11"),
        ("DT#2262-04-11-23:47:17", "before 2262-04-11-23:47:17"),
    ],
)
def test_bad_literals_say_what_was_expected(problems, text, complaint):
    """A malformed literal is one clear error at its place."""
    found = problems(f"PROGRAM P VAR x : INT; END_VAR\nx := {text};\nEND_PROGRAM")
    assert complaint in found[0].message
    assert (found[0].place.line, found[0].place.column) == (2, 6)


def test_initial_values_of_types(bench):
    """STRING[10] keeps its length, a subrange starts low, an enumeration at its first name."""
    made = bench(
        """TYPE Color : (Red, Green := 5, Blue); Low : INT(-3..7); END_TYPE
        PROGRAM P VAR s : STRING[10] := 'ABCDEF'; c : Color; l : Low; n, b : INT;
        a : ARRAY[1..2, 0..2] OF INT := [1, 4(2), 3]; END_VAR
        n := LEN(s); IF c = Red THEN c := Color#Blue; END_IF; b := c;
        END_PROGRAM"""
    )
    assert made["P.l"] == -3
    made.scan()
    assert (made["P.n"], made["P.c"], made["P.b"]) == (6, 6, 6)
    assert [made[f"P.a[{i},{j}]"] for i in (1, 2) for j in (0, 1, 2)] == [1, 2, 2, 2, 2, 3]
