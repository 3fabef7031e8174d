"""Literals, against IEC 61131-3 tables 5 to 9."""

from __future__ import annotations

import pytest

MS = 1_000_000


@pytest.mark.parametrize(
    ("text", "type_", "value"),
    [  # IEC 61131-3 table 5
        ("123_456", "DINT", 123_456),
        ("2#1111_1111", "INT", 255),
        ("8#377", "INT", 255),
        ("16#E0", "INT", 224),
        ("3.14159_26", "LREAL", 3.1415926),
        ("INT#-5", "INT", -5),
        ("DWORD#16#FF", "DWORD", 255),
        ("BOOL#1", "BOOL", True),
        ("LREAL#1.5E-3", "LREAL", 0.0015),
        # IEC 61131-3 table 6
        ("'$$ $' $L $N $P $R $T $\"'", "STRING", "$ ' \n \n \f \r \t \""),
        ("'$41B'", "STRING", "AB"),
        # IEC 61131-3 table 8
        ("T#14ms", "TIME", 14 * MS),
        ("T#-14ms", "TIME", -14 * MS),
        ("T#14.7s", "TIME", 14_700 * MS),
        ("t#25h_15m", "TIME", 90_900_000 * MS),
        ("TIME#5d14h12m18s3.5ms", "TIME", 483_138_003_500_000),
        ("T#14.7d", "TIME", 1_270_080_000 * MS),
        ("LTIME#1us", "LTIME", 1_000),
        # IEC 61131-3 table 9
        ("TOD#15:36:55.36", "TOD", 56_215_360 * MS),
        ("DT#1984-06-25-15:36:55.36", "DT", 457_025_815_360 * MS),
        ("D#1984-06-25", "DATE", 456_969_600_000 * MS),
    ],
)
def test_literals_have_the_standards_values(evaluate, text, type_, value):
    """Each literal of the standard's tables, and a few more of the same form."""
    assert evaluate(text, type_) == value


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
