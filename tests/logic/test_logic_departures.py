"""What people write that the standard does not have, and what this language leaves out."""

from __future__ import annotations

import pytest

from softctl.logic import LogicFault, Source, compile_application


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ("VAR TON : TON; END_VAR TON(IN := TRUE);", "an instance with its type's name"),
        ("VAR step : INT; END_VAR step := step + 1;", "the keyword STEP as a name"),
        (
            "VAR a : ARRAY[0..3] OF INT; b : BYTE; END_VAR a[b] := 1; b := 1;",
            "an index of type BYTE",
        ),
        ("VAR sel : INT; END_VAR sel := SEL(TRUE, 1, 2);", "the name of the function SEL"),
        ("VAR x : INT; END_VAR CASE x OF 1: x := 2; END_CASE", "write END_CASE;"),
        ("VAR x : INT; END_VAR WHILE x < 0 DO x := 1; END_WHILE", "write END_WHILE;"),
        ("VAR x : INT; END_VAR REPEAT x := 1; UNTIL TRUE END_REPEAT", "write END_REPEAT;"),
        ('VAR s : WSTRING(5); END_VAR s := "x";', "write WSTRING[…]"),
    ],
)
def test_departures_are_warned_of_and_are_errors_if_strict(problems, body, message):
    """Each is accepted with the standard form named, and refused with `strict`."""
    text = f"PROGRAM P {body} END_PROGRAM"
    application = compile_application([Source("p.st", text)])
    assert any(message in warning.message for warning in application.warnings)
    application.instantiate().scan(0)
    assert any(message in problem.message for problem in problems(text, strict=True))


@pytest.mark.parametrize(
    ("text", "message", "line"),
    [
        ("FUNCTION_BLOCK A EXTENDS B\nEND_FUNCTION_BLOCK", "inheritance is not supported", 1),
        ("FUNCTION_BLOCK A\nMETHOD M : INT\nM := 1;\nEND_METHOD\nEND_FUNCTION_BLOCK", "methods", 2),
        ("FUNCTION_BLOCK A\nPROPERTY Q : INT\nEND_PROPERTY\nEND_FUNCTION_BLOCK", "properties", 2),
        ("\nINTERFACE I\nEND_INTERFACE", "interfaces are not supported", 2),
        ("NAMESPACE N\nEND_NAMESPACE", "namespaces are not supported", 1),
        ("PROGRAM P\nVAR p : REF_TO INT; END_VAR\nEND_PROGRAM", "references are not", 2),
        ("PROGRAM P\nVAR p : REFERENCE TO INT; END_VAR\nEND_PROGRAM", "references are not", 2),
        (
            "PROGRAM P\nVAR x : INT; END_VAR\nx := ADR(x);\nEND_PROGRAM",
            "pointers and references",
            3,
        ),
        ("PROGRAM P\nVAR x : INT; END_VAR\nx := THIS^.x;\nEND_PROGRAM", "not supported", 3),
    ],
)
def test_object_oriented_code_is_refused_at_its_place(problems, text, message, line):
    """One clear message where it begins, and the rest is still checked."""
    found = problems(f"{text}\nPROGRAM Other\nbad := 1;\nEND_PROGRAM")
    first = next(problem for problem in found if message in problem.message)
    assert first.place.line == line
    assert any("got bad" in problem.message for problem in found)


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ("IF x := 1 THEN b := TRUE; END_IF;", "expected = to compare, got :="),
        ("WHILE x := 1 DO x := 2; END_WHILE;", "expected = to compare, got :="),
        ("b := x == 1;", "expected =, got =="),
        ("b := x != 1;", "expected <>, got !="),
        ("b := b && b;", "expected AND, got &&"),
        ("x += 1;", "expected := x + …, got +="),
        ("x := x + b;", "expected numbers, or durations and dates, around +, got INT and BOOL"),
        ("b := x AND 1.5;", "expected BOOL values or bit strings around AND"),
        ("b := s < 5;", "expected values of one type around <, got STRING and a whole number"),
        ("x := ABS(b);", "expected ANY_NUM as IN of ABS, got BOOL"),
        ("x := ABS(x, x);", "expected IN of ABS, got argument 2"),
        ("x := REAL_TO_TOD(1.0);", "expected a pair of types that convert, got REAL and TOD"),
    ],
)
def test_slips_are_one_error_that_says_what_to_write(problems, body, message):
    """The first message names both what was expected and what came."""
    found = problems(f"PROGRAM P VAR x : INT; b : BOOL; s : STRING; END_VAR\n{body}\nEND_PROGRAM")
    assert len(found) == 1
    assert message in found[0].message
    assert found[0].place.line == 2


def test_a_forgotten_end_var_is_said_where_statements_begin(problems):
    """The error names where VAR was opened; the statements behind it are checked."""
    found = problems("PROGRAM P\nVAR x : INT;\nx := 1;\ny := 2;\nEND_PROGRAM")
    assert [(p.place.line, p.hint) for p in found] == [(3, "VAR was opened in line 2"), (4, "")]
    assert "got x" in found[0].message


def test_a_broken_head_leaves_its_body_and_end_in_place(problems):
    """Errors in IF, FOR, WHILE heads do not make their ends stray."""
    found = problems(
        """PROGRAM P VAR x : INT; END_VAR
IF x THEN THEN x := 1; END_IF;
FOR x = 1 TO 3 DO x := a; END_FOR;
WHILE ) DO x := c; END_WHILE;
END_IF;
x := d;
END_PROGRAM"""
    )
    assert [p.place.line for p in found] == [2, 2, 3, 3, 4, 4, 5, 6]


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_byte_order_marks_tabs_and_line_ends_do_not_matter(line_end):
    """A text from any editor keeps its lines and columns."""
    lines = ["\ufeffPROGRAM P", "\tVAR x : INT; END_VAR", "\tx := y;", "END_PROGRAM", ""]
    with pytest.raises(Exception, match="got y") as caught:
        compile_application([Source("p.st", line_end.join(lines))])
    (problem,) = caught.value.problems
    assert (problem.place.line, problem.place.column, problem.excerpt) == (3, 7, "\tx := y;")


@pytest.mark.parametrize(
    "condition", ["FALSE", "go AND FALSE", "1 > 2", "NOT on", "never OR FALSE"]
)
def test_transitions_that_cannot_be_cleared_are_doubtful(condition):
    """Conditions that constants decide are found, not only the literal FALSE."""
    text = f"""PROGRAM P VAR go : BOOL := TRUE; END_VAR
    VAR CONSTANT never : BOOL := FALSE; on : BOOL := TRUE; END_VAR
    INITIAL_STEP A: END_STEP STEP B: END_STEP
    TRANSITION FROM A TO B := {condition}; END_TRANSITION
    TRANSITION FROM B TO A := go AND on OR never; END_TRANSITION END_PROGRAM"""
    warnings = compile_application([Source("p.st", text)]).warnings
    found = [w.place.line for w in warnings if "can never be cleared" in w.message]
    assert found == [4]


@pytest.mark.parametrize(
    ("declared", "body", "warning", "value"),
    [
        ("dt : DINT;", "dt := 3; r := dt;", "the type's name DT as a name: write another", 3),
        ("time : DINT;", "time := 3; r := time;", "the type's name TIME as a name", 3),
        ("i : INT := -6;", "i := SHL(i, 1); r := i;", "SHL of INT: convert it to bits first", -12),
        ("i : INT := 9;", "r := i AND NOT 1;", "AND of DINT values", 8),
        ("m : Mode;", "m := 2; r := m;", "2 as a value of Mode: write Mode#Auto", 2),
        ("m : Mode; k : INT := 1;", "m := k; r := m;", "INT becomes Mode here", 1),
        ("m : Mode; k : INT := 1;", "m := INT_TO_Mode(k); r := m;", "enumeration Mode", 1),
        ("m : Mode := Auto;", "r := Mode_TO_INT(m);", "a conversion of the enumeration Mode", 2),
        ("m : Mode := Off;", "m := m + 1; r := m;", "Mode next to a number", 1),
        ("n : DINT := 4;", "r := Fact(n);", "Fact calls itself: write a loop", 24),
        ("b : UINT;", "b := BCD_TO_UINT(16#10); r := b; r := r AND 16#FF;", "AND of DINT", 10),
        ("by : INT := 2;", "FOR by := by TO 9 BY 3 DO r := r + by; END_FOR;", "keyword BY", 15),
        ("at, to : DINT := 2;", "to := -to; r := (at) - to;", "the keyword TO as a name", 4),
        (
            "b : BYTE := 200;",
            "r := r + b + 100;",
            "BYTE next to a number: write BYTE_TO_USINT",
            300,
        ),
        ("w : WORD := 7;", "IF r < w THEN r := 1; END_IF;", "write WORD_TO_UINT(…)", 1),
        (
            "u : UINT;",
            "FOR u := 3 TO 0 BY -1 DO r := r + 1; END_FOR;",
            "a negative step of a UINT",
            4,
        ),
    ],
)
def test_habits_of_names_and_numbers_run_with_a_warning(
    bench, problems, declared, body, warning, value
):
    """Each means what its writer meant, and is an error only where the standard must be kept."""
    types = (
        "TYPE Mode : (Off, Manual, Auto); END_TYPE"
        " FUNCTION Fact : DINT VAR_INPUT n : DINT; END_VAR"
        " IF n < 2 THEN Fact := 1; ELSE Fact := n * Fact(n - 1); END_IF; END_FUNCTION"
    )
    text = f"{types} PROGRAM P VAR r : DINT; {declared} END_VAR {body} END_PROGRAM"
    made = bench(text)
    made.scan()
    assert made["P.r"] == value
    assert any(warning in str(w) for w in made.application.warnings)
    assert any(warning in problem.message for problem in problems(text, strict=True))


def test_a_broken_declaration_does_not_make_its_uses_errors(problems):
    """What is declared with an unknown type or a slip is unknown, not undeclared."""
    found = problems(
        """TYPE Bad : ARRAY[1..) OF INT; Good : INT; END_TYPE
PROGRAM P
VAR a : Bad; b : INTT; c, d INT; INT : REAL; e : ARRAY[1..2] OF Good := [1, ; f : INT; END_VAR
a[1] := 1; b := b + 1; c := d; e[1] := f; f := INT;
END_PROGRAM"""
    )
    assert [(p.place.line, p.place.column) for p in found] == [
        (1, 21),
        (3, 18),
        (3, 29),
        (3, 34),
        (3, 77),
    ]


def test_an_instance_can_be_an_input(bench):
    """A block passed to another one is looked at where it is, not copied."""
    made = bench(
        """FUNCTION_BLOCK Watch VAR_INPUT t : TON; END_VAR VAR_OUTPUT q : BOOL; END_VAR
        q := t.Q; END_FUNCTION_BLOCK
        PROGRAM P VAR t : TON; w : Watch; END_VAR
        t(IN := TRUE, PT := T#20ms); w(t := t); END_PROGRAM"""
    )
    made.scan(0)
    assert made["P.w.q"] is False
    made.scan(20)
    assert made["P.w.q"] is True


def test_a_number_outside_of_an_enumeration_is_an_error_or_a_fault(bench, problems):
    """A constant is told before the run, a variable when it comes to it."""
    text = "TYPE Mode : (Off, Manual, Auto); END_TYPE PROGRAM P VAR m : Mode; k : INT; END_VAR {}"
    found = problems(text.format("m := 3; END_PROGRAM"))
    assert "expected a value of Mode (Off, Manual, Auto), got 3" in found[0].message
    made = bench(text.format("m := k; END_PROGRAM"))
    made["P.k"] = 3
    with pytest.raises(LogicFault, match=r"between 0 and 2, got 3 \(p\.st:1\).*K = 3"):
        made.scan()


def test_case_takes_truth_values_durations_and_texts(bench):
    """Any elementary type selects (third edition, table 72), ranges included."""
    made = bench(
        """PROGRAM P VAR b : BOOL; t : TIME := T#3s; s : STRING := 'stop'; x, y, z : INT; END_VAR
        CASE b OF FALSE: x := 1; TRUE: x := 2; END_CASE;
        CASE t OF T#0s..T#1s: y := 1; T#2s..T#1m: y := 2; END_CASE;
        CASE s OF 'go', 'run': z := 1; 'it$'s': z := 2; 'stop': z := 3; END_CASE;
        END_PROGRAM"""
    )
    made.scan()
    assert (made["P.x"], made["P.y"], made["P.z"]) == (1, 2, 3)


def test_arrays_may_start_without_brackets_as_they_once_did(bench):
    """The list up to the semicolon, repetitions included; a single value stays an error."""
    made = bench(
        """PROGRAM P VAR a : ARRAY[1..4] OF INT := 1, 2(7), -3; b : ARRAY[0..2] OF BOOL := 3(TRUE);
        c : ARRAY[1..2] OF INT := [4, 5]; END_VAR a[1] := a[1]; END_PROGRAM"""
    )
    assert [made[f"P.a[{i}]"] for i in range(1, 5)] == [1, 7, 7, -3]
    assert (made["P.b[2]"], made["P.c[2]"]) == (True, 5)
    warnings = [str(w) for w in made.application.warnings]
    assert sum("without brackets: write […]" in warning for warning in warnings) == 2


def test_a_constant_may_be_used_before_its_turn(bench, problems):
    """Globals come in any order and file; one that needs itself is an error."""
    made = bench(
        """PROGRAM P VAR x : T; y : INT; END_VAR x := K; y := x; END_PROGRAM
        TYPE T : INT(0..LIMIT_); END_TYPE
        VAR_GLOBAL CONSTANT K : INT := LIMIT_ - 1; END_VAR
        VAR_GLOBAL names : ARRAY[1..K] OF INT; END_VAR
        VAR_GLOBAL CONSTANT LIMIT_ : INT := 10; END_VAR"""
    )
    made.scan()
    assert (made["P.y"], made["names[9]"]) == (9, 0)
    found = problems("VAR_GLOBAL CONSTANT a : INT := b; b : INT := a + 1; END_VAR")
    assert "expected a declared name, got a" in found[0].message
    assert len(found) == 1
