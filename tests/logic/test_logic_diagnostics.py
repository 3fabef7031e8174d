"""What a user is told about a program that is wrong or doubtful."""

from __future__ import annotations

import pytest

from softctl.logic import Global, Source, compile_application


@pytest.mark.parametrize(
    ("body", "line", "column", "message", "hint"),
    [
        ("x := levle;", 3, 6, "expected a declared name, got levle", "did you mean level?"),
        ("x := 5", 3, 7, "expected ; after the assignment, got END_PROGRAM", ""),
        ("x = 5;", 3, 3, "expected := to assign, got =", ""),
        ("x := b;", 3, 6, "expected an INT, got a BOOL", "convert it with BOOL_TO_INT(…)"),
        ("x := 1.5;", 3, 6, "expected an INT, got a real number", ""),
        ("x := 40000;", 3, 6, "expected an INT (-32768 to 32767), got 40000", ""),
        ("x := T#5s;", 3, 6, "expected an INT, got a TIME", "convert it with TIME_TO_INT(…)"),
        ("IF x THEN x := 1; END_IF;", 3, 4, "expected a BOOL, got an INT", ""),
        (
            "t(IN := b, PTT := T#5s);",
            3,
            12,
            "expected an input of TON, got PTT",
            "did you mean PT?",
        ),
        ("x := t(IN := b);", 3, 6, "t is a function block", ""),
        ("x := SQTR(2.0);", 3, 6, "expected a function, got SQTR", "did you mean SQRT?"),
        ("x := a[4];", 3, 8, "expected an index between 1 and 3, got 4", ""),
        ("x := 7 / 0;", 3, 10, "expected a divisor other than zero, got 0", ""),
        ("t.Q := TRUE;", 3, 3, "Q is an output of TON", ""),
        ("IN_1 := TRUE;", 3, 1, "IN_1 is an input: it cannot be written", ""),
        ("EXIT;", 3, 1, "expected EXIT inside a loop only", ""),
        ("x := 1 +;", 3, 9, "expected an expression, got ;", ""),
        ("FOR x := 1 TO 3 x := 2; END_FOR;", 3, 17, "expected DO or BY after the last value", ""),
        ("IF b THEN x := 1;", 4, 1, "expected a statement or END_IF, got END_PROGRAM", ""),
        ("x := y.z;", 3, 6, "expected a declared name, got y", ""),
        ("x := p^;", 3, 7, "dereferencing is not supported", ""),
        ("x := (1 + 2;", 3, 12, "expected ) to close this parenthesis, got ;", ""),
        ("x := ?;", 3, 6, "expected a name, number or mark, got '?'", ""),
    ],
)
def test_errors_name_place_expectation_and_remedy(problems, body, line, column, message, hint):
    """One mistake gives one error at the exact place, with an excerpt and a hint."""
    text = (
        "PROGRAM P VAR x : INT; level : INT; b : BOOL; t : TON;\n"
        f"a : ARRAY[1..3] OF INT; p : DINT; END_VAR\n{body}\nEND_PROGRAM\n"
    )
    found = problems(text, [Global("IN_1", "BOOL", writable=False)])
    first = found[0]
    assert message in first.message
    assert (first.place.file, first.place.line, first.place.column) == ("p.st", line, column)
    assert first.excerpt == text.splitlines()[line - 1]
    assert hint in first.hint


def test_every_error_is_reported(problems):
    """Lexical, syntax and type errors of several units come in one run, in order."""
    found = problems(
        """PROGRAM P
VAR x : INT; y : BOLO; END_VAR
x := ?;
x := TRUE;
x := 1 + ;
WHILE x DO x := z; END_WHILE;
END_PROGRAM
FUNCTION F : INT
F := q;
END_FUNCTION
"""
    )
    assert [p.place.line for p in found] == [2, 3, 4, 5, 6, 6, 9]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("PROGRAM P VAR END_VAR STEP A: END_STEP END_PROGRAM", "expected an INITIAL_STEP"),
        (
            """PROGRAM P VAR END_VAR INITIAL_STEP Aa: END_STEP
            TRANSITION FROM Aa TO Ab := TRUE; END_TRANSITION END_PROGRAM""",
            "expected a step, got Ab",
        ),
        (
            "PROGRAM P VAR x : BOOL; END_VAR INITIAL_STEP A: x(Q); END_STEP END_PROGRAM",
            "expected a qualifier",
        ),
        (
            "FUNCTION_BLOCK B VAR b : B; END_VAR END_FUNCTION_BLOCK",
            "contains an instance of itself",
        ),
        ("TYPE A : ARRAY[1..2] OF A; END_TYPE", "contains itself"),
        ("TYPE A : ARRAY[2..1] OF INT; END_TYPE", "expected an upper bound from 2 up"),
        ("CLASS C END_CLASS", "classes are not supported"),
        ("PROGRAM P VAR p : POINTER TO INT; END_VAR END_PROGRAM", "pointers are not supported"),
        ("PROGRAM P VAR x : INT; X : INT; END_VAR END_PROGRAM", "X is declared twice"),
        ("PROGRAM P VAR x : INT; END_VAR (* open", "expected *) to close this comment"),
    ],
)
def test_structural_errors(problems, text, message):
    """Charts, types and units are checked as wholes."""
    assert any(message in problem.message for problem in problems(text))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("PROGRAM P VAR x : INT; END_VAR IF x > 0 THEN x := 1; END_IF END_PROGRAM", "END_IF"),
        ("PROGRAM P VAR s : STRING(20); END_VAR END_PROGRAM", "STRING[…]"),
        ("PROGRAM P VAR_CONSTANT c : INT := 1; END_VAR END_PROGRAM", "VAR CONSTANT"),
        ("PROGRAM P VAR x : INT; END_VAR (* a (* b *) c *) END_PROGRAM", "comment inside"),
        ("VAR x : INT; END_VAR x := 1;", "PROGRAM name"),
        ("PROGRAM P VAR w : WORD; b : BOOL; END_VAR b := w.3; END_PROGRAM", "%X3"),
        ("PROGRAM P VAR i : INT; d : DINT; END_VAR i := d; END_PROGRAM", "DINT_TO_INT"),
    ],
)
def test_common_departures_are_warnings_and_errors_if_strict(problems, text, message):
    """Forms that people write are accepted with the standard form named."""
    application = compile_application([Source("p.st", text)])
    assert any(message in warning.message for warning in application.warnings)
    application.instantiate().scan(0)
    assert any(message in problem.message for problem in problems(text, strict=True))


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ("PROGRAM P VAR x : INT; END_VAR END_PROGRAM", "x is never used"),
        ("PROGRAM P VAR x : INT; END_VAR g := x; END_PROGRAM", "x is read but never written"),
        (
            """PROGRAM P INITIAL_STEP A: END_STEP STEP B: END_STEP
            TRANSITION FROM A TO B := FALSE; END_TRANSITION END_PROGRAM""",
            "can never be cleared",
        ),
        (
            "PROGRAM P INITIAL_STEP A: END_STEP STEP B: END_STEP END_PROGRAM",
            "no transition ever reaches step B",
        ),
        ("PROGRAM P g := 1; END_PROGRAM PROGRAM Q g := 2; END_PROGRAM", "g is written by P and Q"),
        (
            "PROGRAM P CASE g OF 1..3: g := 1; 2: g := 2; END_CASE; END_PROGRAM",
            "an earlier label takes this value",
        ),
        (
            "PROGRAM P VAR r : REAL := 1.0; END_VAR IF r = 0.1 THEN g := 1; END_IF; END_PROGRAM",
            "REAL",
        ),
    ],
)
def test_doubts_are_warnings(body, message):
    """What is legal but hardly meant is said, and compiles."""
    found = compile_application([Source("p.st", body)], [Global("g", "INT", True)]).warnings
    assert any(message in warning.message for warning in found)


def test_a_function_without_a_result_is_doubtful(bench):
    """A function that never assigns its own name gives its type's default, hardly on purpose."""
    made = bench(
        """FUNCTION F : INT VAR_INPUT a : INT; END_VAR VAR b : INT; END_VAR b := a; a := b;
        END_FUNCTION
        PROGRAM P VAR x : INT; END_VAR x := F(1); END_PROGRAM"""
    )
    assert any("F never gets a result" in str(w) for w in made.application.warnings)
