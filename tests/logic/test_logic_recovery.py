"""One mistake, one message: the parser goes on behind it, and says what to write instead."""

from __future__ import annotations

import pytest

from softctl.logic import LogicFault


def _seen(found):
    return [(p.place.line, p.message) for p in found]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (
            (
                "PROGRAM P VAR x : INT; END_VAR\nCASE x OF\n1 x := 2;\n2: x := y;\nEND_CASE;\n"
                "x := z;\nEND_PROGRAM"
            ),
            [
                (3, "expected , or : after a CASE label, got x"),
                (4, "expected a declared name, got y"),
                (6, "expected a declared name, got z"),
            ],
        ),
        (
            (
                "PROGRAM A VAR x : INT; END_VAR x := 1; END_PROGRAM\n"
                "CONFIGURATION C RESOURCE R ON S\n"
                "TASK T(INTERVAL := T#1s, PRIO := 1);\nPROGRAM I WITH T2 : A;\nPROGRAM J : B;\n"
                "END_RESOURCE END_CONFIGURATION\nPROGRAM D x := 2; END_PROGRAM"
            ),
            [
                (3, "expected INTERVAL, SINGLE or PRIORITY, got PRIO"),
                (4, "expected a task, got T2"),
                (5, "expected a program, got B"),
                (7, "expected a declared name, got x"),
            ],
        ),
        (
            "PROGRAM P VAR x : INT; END_VAR\n@@@@ x := 1;\nx := y;\nEND_PROGRAM",
            [
                (2, "expected a name, number or mark, got '@'"),
                (3, "expected a declared name, got y"),
            ],
        ),
        (
            "PROGRAM P VAR x : INT; END_VAR\nx++;\nx--;\nx := x / 0;\nEND_PROGRAM",
            [
                (2, "expected := x + 1, got ++"),
                (3, "expected := x - 1, got --"),
                (4, "expected a divisor other than zero, got 0"),
            ],
        ),
        (
            (
                "FUNCTION F : INT VAR_INPUT a : INT; END_VAR F := a; END_FUNCTION\n"
                "PROGRAM P VAR x : INT; END_VAR\nx := F;\nF := 1;\nx := F(1, 2);\n"
                "x := P;\nx := ABS();\n"
                "END_PROGRAM"
            ),
            [
                (3, "expected a variable, got the FUNCTION F"),
                (4, "expected a variable, got the FUNCTION F"),
                (5, "expected at most 1 argument of F, got more"),
                (6, "expected a variable, got the PROGRAM P"),
                (7, "expected 1 argument of ABS, got 0"),
            ],
        ),
    ],
    ids=["case", "configuration", "marks", "counting", "units"],
)
def test_each_mistake_is_one_message_and_the_rest_is_read(problems, text, wanted):
    """Nothing follows from a mistake that has been told, and later ones are told too."""
    assert _seen(problems(text)) == wanted


def test_pointers_to_anything_are_one_message_each(problems):
    """What they point to is read, so that nothing follows."""
    found = problems(
        """PROGRAM P VAR p : POINTER TO ARRAY[1..2] OF INT;
q : REF_TO STRUCT a : INT; END_STRUCT;
r : ARRAY[1..2] OF POINTER TO INT;
s : REFERENCE TO STRING[5]; END_VAR
p[1] := y; END_PROGRAM"""
    )
    assert [p.place.line for p in found] == [1, 2, 3, 4, 5]
    assert all("not supported" in p.message for p in found[:4])


def test_words_that_stand_between_values_are_told_where_a_value_is_missing(problems):
    """BY, TO and DO are names only in front of a mark, as in an assignment."""
    found = problems(
        """PROGRAM P VAR i : INT; END_VAR
FOR i := 1 TO DO END_FOR;
WHILE DO END_WHILE;
END_PROGRAM"""
    )
    assert [(p.place.line, p.message) for p in found] == [
        (2, "expected an expression, got DO"),
        (3, "expected an expression, got DO"),
    ]


def test_texts_are_not_added(problems):
    """The hint names the function that joins them."""
    found = problems("PROGRAM P VAR s : STRING; END_VAR s := s + 'x'; END_PROGRAM")
    assert found[0].hint == "to join texts, write CONCAT(…)"


def test_a_fault_shows_the_global_variables_of_its_line(bench):
    """Whoever wrote the zero, its name and value are in the message."""
    made = bench(
        """VAR_GLOBAL divisor, other : INT; END_VAR
        PROGRAM P VAR a : INT; END_VAR
        a := 10 / divisor;
        END_PROGRAM"""
    )
    with pytest.raises(LogicFault) as caught:
        made.scan()
    assert str(caught.value) == (
        "expected a divisor other than zero, got 0 (p.st:3): A = 0, DIVISOR = 0"
    )


def test_ends_that_are_out_of_place_in_a_configuration_are_passed_over(problems):
    """Reading comes to its end whatever stands there, and goes on behind it."""
    found = problems(
        """CONFIGURATION C RESOURCE R
END_VAR END_IF END_FUNCTION ( END_RESOURCE END_RESOURCE
END_CONFIGURATION PROGRAM P x := 1; END_PROGRAM"""
    )
    assert found[-1].message == "expected a declared name, got x"
    assert found[0].message.startswith("expected VAR_GLOBAL, RESOURCE, TASK, PROGRAM or END_RES")


@pytest.mark.parametrize(
    ("body", "column", "message"),
    [
        ("x := ADD(1, 2, ENO => x);", 23, "expected a BOOL variable, got an INT"),
        ("x := ADD(EN => b, IN1 := 1, IN2 := 2);", 10, "expected EN := and a condition, got EN =>"),
        ("x := ADD(1, 2, ENO := b);", 16, "expected ENO => and a variable, got ENO :="),
        ("t(IN := b, ENO => x);", 19, "expected a BOOL variable, got an INT"),
        ("x := 0x10;", 6, "expected 16# before hexadecimal digits, got 0x"),
        ("r := .5;", 6, "expected a digit before the point: 0.5"),
        ("x := s;", 6, "expected an INT, got a structure S"),
        ("Nothing := 1;", 1, "expected a variable, got the FUNCTION Nothing"),
    ],
)
def test_the_message_says_what_to_write(problems, body, column, message):
    """One error each, at the word that is wrong."""
    found = problems(
        "TYPE S : STRUCT a : INT; END_STRUCT; END_TYPE FUNCTION Nothing VAR_INPUT a : INT; END_VAR"
        f" END_FUNCTION PROGRAM P VAR x : INT; b : BOOL; r : REAL; s : S; t : TON; END_VAR\n{body}"
        "\nEND_PROGRAM"
    )
    assert [(p.place.line, p.place.column, p.message) for p in found] == [(2, column, message)]


def test_a_transition_that_is_no_condition_is_told_at_its_condition(problems):
    """Not at the transition, and not as an operand of what a chart becomes."""
    found = problems(
        """PROGRAM P VAR n : INT; END_VAR
INITIAL_STEP A: END_STEP
TRANSITION FROM A TO A := n; END_TRANSITION
END_PROGRAM"""
    )
    assert [(str(p.place), p.message) for p in found] == [
        ("p.st:3:27", "expected a BOOL, got an INT")
    ]


def test_tasks_are_declared_once_with_whole_numbers_as_priorities(problems):
    """What would not sort is an error of its line."""
    found = problems(
        """PROGRAM A VAR i : INT; END_VAR i := 1; END_PROGRAM CONFIGURATION C
TASK T(PRIORITY := 'high');
TASK T(PRIORITY := 1);
PROGRAM P WITH T : A;
END_CONFIGURATION"""
    )
    assert [(p.place.line, p.message) for p in found] == [
        (2, "expected a UINT, got a string"),
        (3, "task T is declared twice"),
    ]


def test_blocks_inside_one_another_are_one_error(problems):
    """A chain of blocks that comes back to its start is told where it starts."""
    found = problems(
        """FUNCTION_BLOCK A VAR b : B; END_VAR END_FUNCTION_BLOCK
FUNCTION_BLOCK B VAR a : A; END_VAR END_FUNCTION_BLOCK"""
    )
    assert [p.message for p in found] == ["A contains an instance of itself"]


def test_a_function_without_a_result_takes_none(problems):
    """The hint says how it would get one."""
    found = problems("FUNCTION F VAR_INPUT a : INT; END_VAR F := a; END_FUNCTION")
    assert found[0].message == "expected a variable: F has no result"
    assert found[0].hint == "write FUNCTION F : and its type"
