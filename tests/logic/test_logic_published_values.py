"""The published values of IEC 61131-3 (third edition): precedence, literals, functions.

One row a value. Each row says where the value is printed, or that it is from memory. Rows
with variables run in generated code; the same values as constants are folded by the checker,
so rows that have an example in figures are held both ways.
"""

from __future__ import annotations

import pytest

MS = 1_000_000
FOUR = "a : DINT := 1; b : DINT := 2; c : DINT := 3; d : DINT := 4;"
TRUTHS = "t : BOOL := TRUE; f : BOOL := FALSE;"


def variables(text: str) -> str:
    """The same expression with a variable in place of each figure and truth value."""
    names = {"1": "n1", "2": "n2", "3": "n3", "4": "n4", "6": "n6", "7": "n7"}
    words = {"TRUE": "t", "FALSE": "f"}
    out = "".join(names.get(c, c) for c in text)
    for word, name in words.items():
        out = out.replace(word, name)
    return out


FIGURES = " ".join(f"n{n} : DINT := {n};" for n in (1, 2, 3, 4, 6, 7)) + TRUTHS

PRECEDENCE = [
    # IEC 61131-3 table 55, operators from the highest precedence to the lowest; values computed
    ("-2**2", "DINT", 4),  # unary minus above **
    ("2**3**2", "DINT", 64),  # ** from the left
    ("-2**2**1", "DINT", 4),
    ("2 * 3**2", "DINT", 18),  # ** above *
    ("7 MOD 4 * 2", "DINT", 6),  # * / MOD from the left
    ("7 / 2 * 3", "DINT", 9),
    ("7 * 3 / 2", "DINT", 10),
    ("2 * 7 MOD 4", "DINT", 2),
    ("2 + 3 * 4 - 6 / 4", "DINT", 13),  # * above +
    ("7 - 4 - 2", "DINT", 1),  # + - from the left
    ("1 + 2 < 4", "BOOL", True),  # + above <
    ("3 < 2 = FALSE", "BOOL", True),  # < above =
    ("FALSE = 2 < 1", "BOOL", True),
    ("1 <> 2 = TRUE", "BOOL", True),  # = <> from the left
    ("FALSE = TRUE & FALSE", "BOOL", False),  # = above &
    ("NOT FALSE AND FALSE", "BOOL", False),  # NOT above AND
    ("NOT TRUE = FALSE", "BOOL", True),  # NOT above =
    ("TRUE XOR TRUE AND FALSE", "BOOL", True),  # AND above XOR
    ("FALSE AND TRUE XOR TRUE", "BOOL", True),
    ("TRUE & FALSE OR TRUE", "BOOL", True),  # AND above OR
    ("TRUE XOR TRUE OR TRUE", "BOOL", True),  # XOR above OR
    ("TRUE OR TRUE XOR TRUE", "BOOL", True),
    ("1 + 2 - 3 * ABS(4)", "DINT", -9),  # a call above all; the standard's own example
    ("(1 + 2 - 3) * ABS(4)", "DINT", 0),
]


@pytest.mark.parametrize(("expression", "type_", "value"), PRECEDENCE)
def test_operators_bind_as_table_55_says(evaluate, expression, type_, value):
    """Precedence and grouping of constants and of variables are those of the table."""
    assert evaluate(expression, type_) == value
    assert evaluate(variables(expression), type_, FIGURES) == value


def test_the_standards_own_example(evaluate):
    """IEC 61131-3, clause on ST expressions: A, B, C, D are 1, 2, 3, 4."""
    assert evaluate("A+B-C*ABS(D)", "DINT", FOUR) == -9
    assert evaluate("(A+B-C)*ABS(D)", "DINT", FOUR) == 0


LITERALS = [
    # table 5, numeric literals
    ("123_456", "DINT", 123_456),
    ("3.14159_26", "LREAL", 3.1415926),
    ("2#1111_1111", "INT", 255),
    ("2#1110_0000", "INT", 224),
    ("8#377", "INT", 255),
    ("8#340", "INT", 224),
    ("16#FF", "INT", 255),
    ("16#E0", "INT", 224),
    ("16#e0", "INT", 224),
    ("INT#-5", "INT", -5),  # typed literals: from memory
    ("DWORD#16#FF", "DWORD", 255),
    ("BOOL#1", "BOOL", True),
    ("LREAL#1.5E-3", "LREAL", 0.0015),
    ("-1.34E-12", "LREAL", -1.34e-12),  # from memory
    # tables 6 and 7, character strings and their two-character combinations
    ("'$$'", "STRING", "$"),
    ("'$''", "STRING", "'"),
    ("'$L$l'", "STRING", "\n\n"),
    ("'$N$n'", "STRING", "\n\n"),
    ("'$P$p'", "STRING", "\f\f"),
    ("'$R$r'", "STRING", "\r\r"),
    ("'$T$t'", "STRING", "\t\t"),
    ('"$""', "WSTRING", '"'),
    ("'$41B'", "STRING", "AB"),
    ('"$0041B"', "WSTRING", "AB"),
    # table 8, durations: an overflow of the first unit, a fraction of the last one
    ("T#14ms", "TIME", 14 * MS),
    ("T#-14ms", "TIME", -14 * MS),
    ("T#14.7s", "TIME", 14_700 * MS),
    ("T#14.7d", "TIME", 1_270_080_000 * MS),
    ("t#25h15m", "TIME", 90_900_000 * MS),
    ("T#25h_15m", "TIME", 90_900_000 * MS),
    ("TIME#5d14h12m18s3.5ms", "TIME", 483_138_003_500_000),
    ("T#5d14h12m18s3.5ms", "TIME", 483_138_003_500_000),
    ("LTIME#1us", "LTIME", 1_000),
    # table 9, dates and times of day
    ("TOD#15:36:55.36", "TOD", 56_215_360 * MS),
    ("TIME_OF_DAY#15:36:55.36", "TOD", 56_215_360 * MS),
    ("DT#1984-06-25-15:36:55.36", "DT", 457_025_815_360 * MS),
    ("DATE_AND_TIME#1984-06-25-15:36:55.36", "DT", 457_025_815_360 * MS),
    ("D#1984-06-25", "DATE", 456_969_600_000 * MS),
]


@pytest.mark.parametrize(("text", "type_", "value"), LITERALS)
def test_literals_have_the_values_of_tables_5_to_9(evaluate, text, type_, value):
    """Each printed literal, in either case of its letters, and a few more of the same form."""
    found = evaluate(text, type_)
    assert found == value
    assert type(found) is type(value)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [  # table 8: only the first unit may overflow, only the last one may have a fraction
        ("T#1.5m3s", "fraction only on the last unit"),
        ("T#14.7h5ms", "fraction only on the last unit"),
        ("T#3s1m", "in the order"),
    ],
)
def test_durations_against_table_8_are_errors(problems, text, complaint):
    """A fraction before the last unit and units out of order are refused at their place."""
    found = problems(f"PROGRAM P VAR x : TIME; END_VAR\nx := {text};\nEND_PROGRAM")
    assert complaint in found[0].message
    assert (found[0].place.line, found[0].place.column) == (2, 6)


HALVES = [(1.6, 2, 1), (-1.6, -2, -1), (1.5, 2, 1), (-1.5, -2, -1), (1.4, 1, 1)]
HALVES += [(-1.4, -1, -1), (2.5, 2, 2), (-2.5, -2, -2)]


@pytest.mark.parametrize(("number", "nearest", "cut"), HALVES)
@pytest.mark.parametrize("real", ["REAL", "LREAL"])
@pytest.mark.parametrize("whole", ["SINT", "INT", "DINT", "LINT"])
def test_reals_become_whole_numbers_half_to_even(evaluate, real, whole, number, nearest, cut):
    """REAL_TO_INT rounds half to even, TRUNC cuts (IEC 61131-3, type conversion functions)."""
    names = f"x : {real} := {number};"
    assert evaluate(f"{real}_TO_{whole}(x)", whole, names) == nearest
    assert evaluate(f"{real}_TO_{whole}({number})", whole) == nearest
    assert evaluate(f"TO_{whole}(x)", whole, names) == nearest
    assert evaluate("TRUNC(x)", whole, names) == cut
    assert evaluate(f"TRUNC({number})", whole) == cut
    assert evaluate(f"{real}_TRUNC_{whole}(x)", whole, names) == cut


BYTE, WORD = "x : BYTE := 16#45;", "x : WORD := 16#45;"
FUNCTIONS = [
    # type conversion functions, examples of the BCD conversions
    ("USINT_TO_BCD_BYTE(x)", "BYTE", "x : USINT := 25;", 0b0010_0101),
    ("WORD_BCD_TO_UINT(x)", "UINT", "x : WORD := 2#0011_0110_1001;", 369),
    # table 30 (shifts and rotations of bit strings); values computed
    ("SHL(x, 2)", "BYTE", BYTE, 0x14),
    ("SHR(x, 2)", "BYTE", BYTE, 0x11),
    ("ROL(x, 2)", "BYTE", BYTE, 0x15),
    ("ROR(x, 2)", "BYTE", BYTE, 0x51),
    ("SHL(x, 2)", "WORD", WORD, 0x0114),
    ("SHR(x, 2)", "WORD", WORD, 0x0011),
    ("ROL(x, 2)", "WORD", WORD, 0x0114),
    ("ROR(x, 2)", "WORD", WORD, 0x4011),
    ("SHL(IN := x, N := 2)", "WORD", WORD, 0x0114),
    # table 29, division truncates and MOD has the sign of the dividend: from memory
    ("x / y", "INT", "x : INT := 7; y : INT := 3;", 2),
    ("x / y", "INT", "x : INT := -7; y : INT := 3;", -2),
    ("x / y", "INT", "x : INT := 7; y : INT := -3;", -2),
    ("x / y", "INT", "x : INT := -7; y : INT := -3;", 2),
    ("x MOD y", "INT", "x : INT := 7; y : INT := 3;", 1),
    ("x MOD y", "INT", "x : INT := -7; y : INT := 3;", -1),
    ("x MOD y", "INT", "x : INT := 7; y : INT := -3;", 1),
    ("x MOD y", "INT", "x : INT := -7; y : INT := -3;", -1),
    ("x MOD y", "INT", "x : INT := 5; y : INT;", 0),
    ("-7 MOD 3", "INT", "", -1),
    ("(-7) / 3", "INT", "", -2),
    ("7 / 3", "INT", "", 2),
    # table 32, selection: from memory
    ("LIMIT(2, x, 8)", "INT", "x : INT := 5;", 5),
    ("LIMIT(6, x, 8)", "INT", "x : INT := 5;", 6),
    ("LIMIT(2, x, 3)", "INT", "x : INT := 5;", 3),
    ("LIMIT(8, x, 2)", "INT", "x : INT := 5;", 2),  # MIN(MAX(5, 8), 2)
    ("LIMIT(8, x, 2)", "INT", "x : INT := 1;", 2),  # MIN(MAX(1, 8), 2)
    ("LIMIT(MN := 2, IN := x, MX := 3)", "INT", "x : INT := 5;", 3),
    ("LIMIT(l, x, h)", "INT", "x : INT := 5; l : INT := 8; h : INT := 2;", 2),
    ("LIMIT(l, x, h)", "INT", "x : INT := 1; l : INT := 8; h : INT := 2;", 2),
    ("SEL(FALSE, x, y)", "INT", "x : INT := 5; y : INT := 7;", 5),
    ("SEL(g, x, y)", "INT", "x : INT := 5; y : INT := 7; g : BOOL := TRUE;", 7),
    ("SEL(0, x, y)", "INT", "x : INT := 5; y : INT := 7;", 5),
    ("MUX(0, x, y, 8)", "INT", "x : INT := 5; y : INT := 7;", 5),
    ("MUX(k, x, y, 8)", "INT", "x : INT := 5; y : INT := 7; k : INT := 1;", 7),
    ("MUX(2, x, y, 8)", "INT", "x : INT := 5; y : INT := 7;", 8),
    ("MIN(x, 3, 9)", "INT", "x : INT := 5;", 3),
    ("MAX(x, 3, 9)", "INT", "x : INT := 5;", 9),
]
TEXTS = [
    # table 35: DELETE and REPLACE as printed, the others from memory
    ("DELETE('ABXYC', 2, 3)", "DELETE(s, n, p)", "ABC"),
    ("REPLACE('ABCDE', 'X', 2, 3)", "REPLACE(s, 'X', n, p)", "ABXE"),
    ("INSERT('ABC', 'XY', 2)", "INSERT(s, 'XY', n)", "ABXYC"),
    ("LEFT('ASTR', 3)", "LEFT(s, p)", "AST"),
    ("RIGHT('ASTR', 3)", "RIGHT(s, p)", "STR"),
    ("MID('ASTR', 2, 2)", "MID(s, n, n)", "ST"),
    ("CONCAT('AB', 'CD', 'E')", "CONCAT(s, 'CD', 'E')", "ABCDE"),
    ("LEN('ASTRING')", "LEN(s)", 7),
    ("FIND('ABCBC', 'BC')", "FIND(s, 'BC')", 2),
]


@pytest.mark.parametrize(("call", "type_", "declarations", "value"), FUNCTIONS)
def test_functions_have_the_published_values(evaluate, call, type_, declarations, value):
    """Conversions, shifts, division and selection."""
    assert evaluate(call, type_, declarations) == value


@pytest.mark.parametrize(("call", "general", "value"), TEXTS)
@pytest.mark.parametrize("wide", [False, True])
def test_string_functions_have_the_published_values(evaluate, call, general, value, wide):
    """Positions count from 1; the same for WSTRING and for variables."""
    type_ = ("WSTRING" if wide else "STRING") if isinstance(value, str) else "INT"
    if wide:
        call, general = call.replace("'", '"'), general.replace("'", '"')
    first = call[call.index("(") + 1 :].split(",")[0].rstrip(")")
    names = f"s : {'W' * wide}STRING := {first}; n : INT := 2; p : INT := 3;"
    assert evaluate(call, type_) == value
    assert evaluate(general, type_, names) == value


def test_initial_values_of_types(bench):
    """STRING[10] holds 6 characters; a subrange starts low, an enumeration at its first name."""
    made = bench(
        """TYPE Colour : (Red, Green := 5, Blue); Low : INT(-3..7); END_TYPE
        PROGRAM P VAR s : STRING[10] := 'ABCDEF'; c : Colour; l : Low; u : UINT(4..9); n : INT;
        first : BOOL; END_VAR
        n := LEN(s); first := c = Red; END_PROGRAM"""
    )
    made.scan()
    assert (made["P.s"], made["P.n"], made["P.l"], made["P.u"]) == ("ABCDEF", 6, -3, 4)
    assert made["P.first"] is True
    made["P.s"] = "ABCDEFGHIJ"  # its maximum length of 10
    with pytest.raises(Exception, match="expected a value of type"):
        made["P.s"] = "ABCDEFGHIJK"
