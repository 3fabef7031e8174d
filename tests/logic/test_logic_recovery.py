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
