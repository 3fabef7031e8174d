"""The standard library: conversions, dates, strings, enabled calls, every counter and timer."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from softctl.logic import LogicFault, Source, compile_application

MS = 1_000_000


@pytest.mark.parametrize(
    ("call", "type_", "declarations", "value"),
    [
        # IEC 61131-3 table 22, examples of the conversion functions
        ("USINT_TO_BCD_BYTE(x)", "BYTE", "x : USINT := 25;", 0b0010_0101),
        ("WORD_BCD_TO_UINT(x)", "UINT", "x : WORD := 2#0011_0110_1001;", 369),
        ("BCD_TO_UINT(x)", "UINT", "x : WORD := 2#0011_0110_1001;", 369),
        ("UINT_TO_BCD(x)", "WORD", "x : UINT := 4095;", 0x4095),
        ("REAL_TRUNC_INT(x)", "INT", "x : REAL := -1.6;", -1),
        ("TRUNC_SINT(x)", "SINT", "x : LREAL := 1.6;", 1),
        # table 26, binary transfer (from memory); patterns of IEEE 754
        ("REAL_TO_DWORD(x)", "DWORD", "x : REAL := 123.456;", 0x42F6E979),
        ("DWORD_TO_REAL(x)", "REAL", "x : DWORD := 16#42F6E979;", float(numpy.float32(123.456))),
        ("LREAL_TO_LWORD(x)", "LWORD", "x : LREAL := 123.456;", 0x405EDD2F1A9FBE77),
        ("LWORD_TO_LREAL(x)", "LREAL", "x : LWORD := 16#405EDD2F1A9FBE77;", 123.456),
        # common practice: the text is what a literal looks like
        ("INT_TO_STRING(x)", "STRING", "x : INT := -12;", "-12"),
        ("REAL_TO_STRING(x)", "STRING", "x : REAL := 0.1;", "0.1"),
        ("LREAL_TO_STRING(x)", "STRING", "x : LREAL := 1.0E20;", "1.0E20"),
        ("BOOL_TO_STRING(x)", "STRING", "x : BOOL := TRUE;", "TRUE"),
        ("TIME_TO_STRING(x)", "STRING", "x : TIME := T#1h2m3s4ms;", "T#1h2m3s4ms"),
        ("LTIME_TO_STRING(x)", "STRING", "x : LTIME := LTIME#5us;", "LTIME#5us"),
        ("DATE_TO_STRING(x)", "STRING", "x : DATE := D#1984-06-25;", "D#1984-06-25"),
        ("TOD_TO_STRING(x)", "STRING", "x : TOD := TOD#15:36:55.36;", "TOD#15:36:55.36"),
        ("STRING_TO_DINT(x)", "DINT", "x : STRING := ' 16#FF ';", 255),
        ("STRING_TO_REAL(x)", "REAL", "x : STRING := '1.5E2';", 150.0),
        ("STRING_TO_TIME(x)", "TIME", "x : STRING := 'T#1m30s';", 90_000 * MS),
        ("STRING_TO_BOOL(x)", "BOOL", "x : STRING := 'true';", True),
        ("STRING_TO_DT(x)", "DT", "x : STRING := 'DT#1970-01-02-00:00:01';", 86_401_000 * MS),
        ("x", "WCHAR", 'x : WCHAR := "$1234";', "\u1234"),
        ("CHAR_TO_BYTE(x)", "BYTE", "x : CHAR := 'A';", 65),
        ("BYTE_TO_CHAR(x)", "CHAR", "x : BYTE := 66;", "B"),
        ("DATE_TO_UDINT(x)", "UDINT", "x : DATE := D#1970-01-02;", 86_400),
        ("TOD_TO_UDINT(x)", "UDINT", "x : TOD := TOD#00:00:01;", 1_000),
        ("UDINT_TO_DT(x)", "DT", "x : UDINT := 60;", 60_000 * MS),
        # table 31 and 32 by typed names; comparisons of strings by table 35
        ("SHL(x, 1)", "BOOL", "x : BOOL := TRUE;", False),
        ("ROL(x, 1)", "BOOL", "x : BOOL := TRUE;", True),
        ("SHL_BYTE(x, 2)", "BYTE", "x : BYTE := 16#45;", 0x14),
        ("EQ_STRING(x, 'ab')", "BOOL", "x : STRING := 'ab';", True),
        ("LT_STRING(x, 'abc')", "BOOL", "x : STRING := 'abd';", False),
        ("MAX_INT(x, 3)", "INT", "x : INT := 2;", 3),
        ("LEN_STRING(x)", "INT", "x : STRING := 'abc';", 3),
        ("NOT_WORD(x)", "WORD", "x : WORD := 16#00FF;", 0xFF00),
        ("SUB_REAL(x, 0.5)", "REAL", "x : REAL := 2.0;", 1.5),
        # table 34
        ("ADD_TIME(x, T#1s)", "TIME", "x : TIME := T#500ms;", 1_500 * MS),
        ("MUL_TIME(x, 3)", "TIME", "x : TIME := T#2s;", 6_000 * MS),
        ("DIV_TIME(x, 2.5)", "TIME", "x : TIME := T#5s;", 2_000 * MS),
        ("ADD_TOD_TIME(x, T#1m)", "TOD", "x : TOD := TOD#00:01:00;", 120_000 * MS),
        ("SUB_TOD_TOD(x, TOD#10:00:00)", "TIME", "x : TOD := TOD#11:00:00;", 3_600_000 * MS),
        (
            "SUB_DT_DT(x, DT#2024-01-01-00:00:00)",
            "TIME",
            "x : DT := DT#2024-01-02-00:00:00;",
            86_400_000 * MS,
        ),
        ("SUB_DATE_DATE(x, D#2024-02-28)", "TIME", "x : DATE := D#2024-03-01;", 172_800_000 * MS),
        ("IS_VALID_BCD(x)", "BOOL", "x : BYTE := 16#9A;", False),
        ("IS_VALID(x)", "BOOL", "x : REAL := 1.0;", True),
        ("TO_BIG_ENDIAN(x)", "DWORD", "x : DWORD := 16#12345678;", 0x78563412),
    ],
)
def test_functions_of_the_library(evaluate, call, type_, declarations, value):
    """Conversions, typed names and times give the values of the standard's tables."""
    assert evaluate(call, type_, declarations) == value


@settings(max_examples=60, deadline=None)
@given(st.dates(date(1700, 1, 1), date(2260, 12, 31)), st.times())
def test_dates_agree_with_pythons_calendar(calendar, day, clock):
    """Splitting, joining and the day of the week follow the Gregorian calendar."""
    instance, write, read = calendar
    write(
        [
            day.year,
            day.month,
            day.day,
            clock.hour,
            clock.minute,
            clock.second,
            clock.microsecond // 1000,
        ]
    )
    instance.scan(0)
    moment = datetime.combine(day, clock, UTC)
    moment -= timedelta(microseconds=clock.microsecond % 1000)
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    ns = (moment - epoch) // timedelta(microseconds=1) * 1000
    weekday = (day.weekday() + 1) % 7  # 0 is Sunday: IEC 61131-3 table 35, from memory
    assert read() == (
        ns,
        day.year,
        day.month,
        day.day,
        clock.hour,
        clock.minute,
        clock.second,
        clock.microsecond // 1000,
        weekday,
    )


@pytest.fixture(scope="module")
def calendar():
    """A program that joins a date and time and splits it again."""
    names = ["y", "m", "d", "h", "mi", "s", "ms"]
    text = """PROGRAM P
    VAR y, m, d, h, mi, s, ms : INT; t : DT; y2, m2, d2, h2, mi2, s2, ms2, w : INT; END_VAR
    t := CONCAT_DT(y, m, d, h, mi, s, ms);
    SPLIT_DT(t, YEAR => y2, MONTH => m2, DAY => d2, HOUR => h2, MINUTE => mi2, SECOND => s2,
        MILLISECOND => ms2);
    w := DAY_OF_WEEK(DT_TO_DATE(t)); END_PROGRAM"""
    instance = compile_application([Source("p.st", text)]).instantiate()
    outputs = ["P.t", *(f"P.{name}2" for name in names), "P.w"]
    return instance, instance.writer([f"P.{name}" for name in names]), instance.reader(outputs)


@pytest.mark.parametrize(
    ("body", "cause"),
    [
        ("i := STRING_TO_INT(s);", "expected a text that is an INT, got 'x'"),
        ("s := long;", "expected at most 4 characters, got 6"),
        ("b := UINT_TO_BCD_BYTE(123);", "expected a number of up to 2 digits for BCD, got 123"),
        ("i := BYTE_BCD_TO_USINT(16#1A);", "expected decimal digits as BCD, got 16#1A"),
        ("c := s[i];", "expected a position between 1 and 4, got 0"),
        ("s := MID(s, 1, i);", "expected a position from 1"),
        ("x := LN(x);", "expected a number that the function is defined for"),
        ("i := LREAL_TO_INT(1.0E300 * 1.0E300 + x);", "that a whole number can hold, got an inf"),
    ],
)
def test_what_a_function_cannot_do_is_a_fault(bench, body, cause):
    """The fault names what was expected, the line and the variables of that line."""
    made = bench(
        "PROGRAM P\nVAR i : INT; s : STRING[4] := 'x'; long : STRING := 'abcdef'; b : BYTE;"
        f" c : CHAR; x : LREAL; END_VAR\n{body}\nEND_PROGRAM"
    )
    with pytest.raises(LogicFault) as caught:
        made.scan()
    assert cause in str(caught.value)
    assert "p.st:3" in str(caught.value)


def test_eno_reports_a_function_that_failed(bench):
    """With ENO the run goes on; the target keeps its value, as where EN is false."""
    made = bench(
        """PROGRAM P VAR a, b : INT := 7; go, ok, done : BOOL; s : STRING := '12'; END_VAR
        a := STRING_TO_INT(EN := go, IN := s, ENO => ok); b := ADD(a, 1, ENO => done);
        END_PROGRAM"""
    )
    made.scan()
    assert (made["P.a"], made["P.ok"], made["P.b"], made["P.done"]) == (7, False, 8, True)
    made["P.go"] = True
    made.scan()
    assert (made["P.a"], made["P.ok"]) == (12, True)
    made["P.s"] = "?"
    made.scan()
    assert (made["P.a"], made["P.ok"]) == (12, False)
