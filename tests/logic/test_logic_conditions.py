"""Single expressions over variables that live elsewhere."""

from __future__ import annotations

from typing import Any

import pytest

from softctl.errors import Problem, SoftctlError
from softctl.logic import (
    ConditionReader,
    Source,
    Type,
    UnknownNameError,
    compile_application,
)

TEXT = """
TYPE Phase : (Waiting, Filling); END_TYPE
FUNCTION Twice : REAL VAR_INPUT x : REAL; END_VAR Twice := 2.0 * x; END_FUNCTION
PROGRAM P
VAR level : REAL := 1.25; n : INT := 7; phase : Phase := Filling; on : BOOL := TRUE;
    list : ARRAY[1..3] OF INT := [4, 5, 6]; delay : TON; mask : WORD := 16#0010; END_VAR
delay(IN := on, PT := T#3s);
END_PROGRAM
"""


class Found:
    """An application whose variables are the conditions' names."""

    def __init__(self) -> None:
        self.application = compile_application([Source("p.st", TEXT)])
        self.instance = self.application.instantiate()
        self.reader = ConditionReader(self.application, self.find)

    def find(self, path: str) -> tuple[str, Type]:
        try:
            return path, self.instance.type_of(path)
        except SoftctlError as error:
            raise UnknownNameError(f"expected a variable, got {path}", "look again") from error

    def value(self, text: str, *, number: bool = False) -> Any:
        problems: list[Problem] = []
        condition = self.reader.read(Source("c.yaml", text), problems, number=number)
        assert not problems, problems
        evaluator = self.reader.compile([condition])
        evaluator.load(self.instance.reader(evaluator.names)())
        if not number:
            assert evaluator.test(condition)() is evaluator.value(condition)
        return evaluator.value(condition)

    def problems(self, text: str, *, number: bool = False) -> list[Problem]:
        problems: list[Problem] = []
        self.reader.read(Source("c.yaml", text), problems, number=number)
        return problems


@pytest.fixture(scope="module")
def found() -> Found:
    made = Found()
    made.instance.scan(0)
    made.instance.scan(2_000_000_000)
    return made


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("P.on", True),
        ("NOT P.on OR P.n = 8", False),
        ("P.level > 1.2 AND P.level < 1.3", True),
        ("p.PHASE = Filling", True),
        ("P.phase = Phase#Waiting", False),
        ("P.list[2] = 5", True),
        ("P.delay.ET = T#2s AND NOT P.delay.Q", True),
        ("Twice(P.level) = 2.5", True),
        ("ABS(P.n - 9) = 2", True),
        ("P.mask.%X4", True),
        ("TRUE", True),
        ("P.on;", True),
    ],
)
def test_a_condition_is_what_st_makes_of_it(found: Found, text: str, value: bool) -> None:
    """Members, indices, bits, enumerations, times and functions mean what they do in programs."""
    assert found.value(text) is value


def test_a_number_is_asked_for_as_lreal(found: Found) -> None:
    """With `number`, whole and real numbers alike come out as a real one."""
    assert found.value("P.n * 2", number=True) == 14.0
    assert found.value("P.level", number=True) == 1.25


@pytest.mark.parametrize(
    ("text", "column", "words"),
    [
        ("P.level", 1, "BOOL"),
        ("P.on AND P.missing", 10, "P.missing"),
        ("P.on AND", 9, "the end of the condition"),
        ("P.on P.on", 6, "the end of the condition"),
        ("P.n := 3", 5, "= to compare"),
        ("P.list = 3", 1, "single value"),
        ("P.list[P.n] = 3", 7, "plain number"),
        ("P.on AND P.level", 6, "BOOL"),
        ("Nothing(P.on)", 1, "Nothing"),
    ],
)
def test_an_error_has_its_column(found: Found, text: str, column: int, words: str) -> None:
    """Every error says what was expected at which column, and there is one for each mistake."""
    (problem,) = found.problems(text)
    assert words in problem.message
    assert problem.place.column == column


def test_blank_text_before_puts_an_error_in_its_line(found: Found) -> None:
    """A condition that is cut out of a file keeps that file's lines and columns."""
    (problem,) = found.problems("\n\n    P.on AND 3.5")
    assert (problem.place.line, problem.place.column) == (3, 10)


def test_a_division_by_zero_is_told(found: Found) -> None:
    """What cannot be computed is an error of the condition, not of softctl."""
    with pytest.raises(SoftctlError, match=r"cannot be computed: P\.n / "):
        found.value("P.n / (P.n - P.n) = 1")


def test_several_conditions_share_their_variables(found: Found) -> None:
    """The values of a set are loaded once, each variable under one name."""
    texts = ("P.on", "P.n > 3", "P.on AND P.n > 9")
    conditions = [found.reader.read(Source("c.yaml", text), []) for text in texts]
    evaluator = found.reader.compile(conditions)
    assert evaluator.names == ("P.on", "P.n")
    evaluator.load((True, 5))
    assert [evaluator.value(one) for one in conditions] == [True, True, False]
    evaluator.load((False, 12))
    assert [evaluator.test(one)() for one in conditions] == [False, True, False]
    assert evaluator.found(conditions[2]) == (("P.on", "P.n"), ("FALSE", "12"))


def test_many_conditions_are_asked_in_one_go(found: Found) -> None:
    """The answers are those of each alone, also through functions of the program."""
    texts = ["P.level > 1.0", "Twice(P.level) < 2.0", "P.on XOR P.mask.%X4", "P.n / 2 = 3"]
    conditions = [found.reader.read(Source("c.yaml", text), []) for text in texts]
    evaluator = found.reader.compile(conditions)
    ask = evaluator.tests(conditions)
    for n, level in ((7, 1.25), (6, 0.5)):
        values = {"P.n": n, "P.level": level, "P.on": True, "P.mask": 16}
        evaluator.load([values[name] for name in evaluator.names])
        assert ask() == tuple(evaluator.test(one)() for one in conditions)


def test_there_is_no_answer_where_one_condition_has_none(found: Found) -> None:
    """A division by zero leaves it open what the others are, until it is none any more."""
    conditions = [found.reader.read(Source("c.yaml", text), []) for text in ("P.on", "7 / P.n = 1")]
    evaluator = found.reader.compile(conditions)
    ask = evaluator.tests(conditions)
    evaluator.load([True, 0])
    assert ask() is None
    evaluator.load([True, 7])
    assert ask() == (True, True)
