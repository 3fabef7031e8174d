"""Wrong programs: whatever is read, the compiler reports it, and what compiles runs or faults."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mutations import FILES, joined, mutant, nonsense, tokens
from test_logic_random import QUICK, SEEDS

from softctl.errors import ProblemsError
from softctl.logic import LogicFault, Source, compile_application, instance

MS = 1_000_000


@pytest.fixture(autouse=True, scope="module")
def small_budget() -> Iterator[None]:
    """Loops without end are stopped early: mutation makes many of them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(instance, "LOOP_BUDGET", 5_000)
        yield


def judge(text: str) -> str:
    """What became of a text: "refused", "faulted" or "ran"; anything else fails."""
    outcome = outcome_of(text)
    if isinstance(outcome, ProblemsError):
        assert str(outcome)
        for problem in outcome.problems:
            assert problem.message
            assert problem.place.file == "p.st"
            assert 1 <= problem.place.line <= len(text.splitlines()) + 1
            assert problem.place.column >= 1
        return "refused"
    if isinstance(outcome, LogicFault):
        assert str(outcome).startswith(("expected ", "this loop does not end"))
        assert outcome.place.file == "p.st"
        assert 1 <= outcome.place.line <= text.count("\n") + 1
        return "faulted"
    return "ran"


def outcome_of(text: str) -> ProblemsError | LogicFault | None:
    """The error of a text, or the fault of its first scans; any other exception goes on."""
    try:
        made = compile_application([Source("p.st", text)]).instantiate()
        for number in range(3):
            made.scan(number * 10 * MS)
    except (ProblemsError, LogicFault) as error:
        return error
    state = made.snapshot()
    made.restore(state)
    assert repr(made.snapshot()) == repr(state)
    return None


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_the_tokens_of_a_program_are_a_program(path):
    """What mutation starts from is sound, so that one mistake is one mistake."""
    assert judge(joined(tokens(path.read_text(encoding="utf-8")))) == "ran"


@settings(max_examples=300, deadline=None, phases=QUICK)
@given(seed=SEEDS)
def test_mutated_programs_compile_or_give_problems(seed):
    """Tokens or letters lost, doubled, swapped, replaced: its own error, or a program that runs."""
    judge(mutant(random.Random(seed)))


@settings(max_examples=150, deadline=None, phases=QUICK)
@given(seed=SEEDS)
def test_tokens_in_any_order_give_problems(seed):
    """Sequences of tokens, bare or inside of a program."""
    judge(nonsense(random.Random(seed)))


def test_mutation_makes_all_sorts():
    """Of some fixed mutants most are refused, some still run: neither way is empty."""
    results = [judge(mutant(random.Random(seed))) for seed in range(150)]
    assert results.count("refused") > 75
    assert results.count("ran") > 5


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=80).map(lambda raw: raw.decode("latin-1")) | st.text(max_size=80))
def test_any_letters_give_problems(text):
    """Also control characters, lone marks and other alphabets."""
    judge(text)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("VAR a : ARRAY[0..999999999] OF INT; END_VAR", "at most 1000000 elements"),
        ("VAR a : ARRAY[0..9999, 0..9999] OF INT; END_VAR", "at most 1000000 elements"),
        ("VAR c : C; END_VAR c.z[1].y[1].x[1] := 1;", "at most 1000000 values in one variable"),
        ("VAR a : ARRAY[0..3] OF INT := [999999999(0)]; END_VAR", "at most 4 values"),
        ("VAR n : LINT; END_VAR n := 2**100000000;", "within the range of its type"),
        ("VAR n : LINT; END_VAR n := (2**1000)**1000;", "within the range of its type"),
        (f"VAR n : LINT; END_VAR n := {'9' * 9000};", "64 bits"),
        (f"VAR t : TIME; END_VAR t := T#{'9' * 9000}d;", "up to 106751 days"),
        ("VAR h : Hue; END_VAR h := Red;", "a value of INT (-32768 to 32767)"),
        ("VAR n : LINT; END_VAR FOR n := 0 TO 9223372036854775807 DO ; END_FOR;", "this loop"),
        ("VAR n : LINT; END_VAR WHILE TRUE DO n := n + 1; END_WHILE;", "this loop"),
        ("VAR n : LINT; END_VAR REPEAT n := n + 1; UNTIL FALSE END_REPEAT;", "this loop"),
        ("VAR n, m : INT; END_VAR FOR n := 0 TO 5 BY m DO ; END_FOR;", "this loop"),
        ("VAR n : INT; END_VAR n := Again(1);", "calls itself without end"),
        (
            """VAR s : STRING[60000] := '9'; n : LINT; END_VAR
            FOR n := 1 TO 13 DO s := CONCAT(s, s); END_FOR; n := STRING_TO_LINT(s);""",
            "expected a text that is a LINT",
        ),
    ],
)
def test_what_would_fill_memory_or_never_end_is_told(text, message):
    """Sizes, numbers and loops without measure are errors or faults, at once."""
    types = """TYPE Hue : (Red{}); END_TYPE
    TYPE A : STRUCT x : ARRAY[0..999] OF INT; END_STRUCT; B : STRUCT y : ARRAY[0..999] OF A;
    END_STRUCT; C : STRUCT z : ARRAY[0..999] OF B; END_STRUCT; END_TYPE
    FUNCTION Again : INT VAR_INPUT n : INT; END_VAR Again := Again(n + 1); END_FUNCTION
    """.format(" := 99999999999" if "Hue" in text else "")
    outcome = outcome_of(f"{types}PROGRAM P {text} END_PROGRAM")
    assert message in str(outcome)


@pytest.mark.parametrize(
    ("expression", "value"),
    [("3 ** n", 0), ("1 ** n", 1), ("(-1) ** n", -1), ("m ** m", 0), ("n ** 3", -1)],
)
def test_powers_are_worked_out_at_once(evaluate, expression, value):
    """Exponents near the type's limits neither take long nor go wrong (wrapped, computed)."""
    names = "n : LINT := -9223372036854775807; m : LINT := 9223372036854775806;"
    if expression == "n ** 3":
        value = (-9223372036854775807) ** 3 % 2**64
        value -= 2**64 if value >= 2**63 else 0
    assert evaluate(expression, "LINT", names) == value


def test_shifts_by_the_greatest_count_are_made_at_once(evaluate):
    """All bits are lost, or come back around: 2**64 - 1 is 63 more than a multiple of 64."""
    names = "w : LWORD := 16#8000_0000_0000_0001; n : ULINT := 18446744073709551615;"
    assert evaluate("SHL(w, n)", "LWORD", names) == 0
    assert evaluate("SHR(w, n)", "LWORD", names) == 0
    assert evaluate("ROL(w, n)", "LWORD", names) == 0xC000_0000_0000_0000
    assert evaluate("ROR(w, n)", "LWORD", names) == 0x0000_0000_0000_0003


IN_FUNCTION = {
    "RETURN in WHILE": "WHILE TRUE DO i := i + 1; IF i > 99 THEN RETURN; END_IF; END_WHILE;",
    "RETURN in REPEAT": "REPEAT i := i + 1; IF i > 99 THEN RETURN; END_IF; UNTIL FALSE END_REPEAT;",
    "RETURN in FOR": "FOR i := 1 TO n + 200 DO IF i > 99 THEN RETURN; END_IF; END_FOR;",
    "RETURN in a fixed FOR": "FOR i := 1 TO 200 DO IF i > 99 THEN RETURN; END_IF; END_FOR;",
    "a fixed FOR": "FOR i := 1 TO 100 DO n := n + 1; END_FOR;",
}
NESTED = {
    "WHILE": "i := 0; WHILE i < 100 DO i := i + 1; j := 0; WHILE j < 100 DO j := j + 1;"
    " END_WHILE; END_WHILE;",
    "REPEAT": "i := 0; REPEAT i := i + 1; j := 0; REPEAT j := j + 1; UNTIL j >= 100 END_REPEAT;"
    " UNTIL i >= 100 END_REPEAT;",
    "fixed FOR": "FOR i := 1 TO 100 DO FOR j := 1 TO 100 DO x := j; END_FOR; END_FOR;",
    "FOR": "FOR i := 1 TO n DO FOR j := 1 TO n DO x := j; END_FOR; END_FOR;",
    "FOR with EXIT": "FOR i := 1 TO n DO FOR j := 1 TO n DO IF x > 0 THEN EXIT; END_IF; END_FOR;"
    " END_FOR;",
    "FOR that is written": "FOR i := 1 TO n DO FOR j := 1 TO n DO j := j; END_FOR; END_FOR;",
    "EXIT": "FOR i := 1 TO 100 DO j := 0; WHILE TRUE DO j := j + 1; IF j > 99 THEN EXIT; END_IF;"
    " END_WHILE; END_FOR;",
    "CONTINUE": "FOR i := 1 TO 100 DO j := 0; WHILE j < 100 DO j := j + 1; CONTINUE; END_WHILE;"
    " END_FOR;",
    "a function that calls itself twice": "x := Twice(40);",
    "ENO": "FOR i := 1 TO 100 DO x := Endless(EN := TRUE, n := 1, ENO => b); END_FOR;",
}
TWICE = """FUNCTION Twice : INT VAR_INPUT n : INT; END_VAR
IF n > 0 THEN Twice := Twice(n - 1) + Twice(n - 1); END_IF; END_FUNCTION
FUNCTION Endless : INT VAR_INPUT n : INT; END_VAR WHILE TRUE DO n := n; END_WHILE; END_FUNCTION
"""


def program(before: str, body: str, more: str = "") -> str:
    """A program with a few variables, behind other units."""
    declared = f"i, j, x : INT; n : INT := 100; b : BOOL; {more}"
    return f"{before} PROGRAM P VAR {declared} END_VAR {body} END_PROGRAM"


SPENDING = {
    **{name: program(TWICE, body) for name, body in NESTED.items()},
    **{
        f"{name} of a function": program(
            f"FUNCTION F : INT VAR_INPUT n : INT; END_VAR VAR i : INT; END_VAR {body} END_FUNCTION",
            "FOR i := 1 TO 100 DO x := F(1); END_FOR;",
        )
        for name, body in IN_FUNCTION.items()
    },
    **{
        f"{name} of a block": program(
            f"FUNCTION_BLOCK B VAR i, n : INT; END_VAR i := 0; {body} END_FUNCTION_BLOCK",
            "FOR i := 1 TO 100 DO f(); END_FOR;",
            "f : B;",
        )
        for name, body in IN_FUNCTION.items()
    },
}


@pytest.mark.parametrize("name", list(SPENDING))
def test_every_loop_takes_from_the_scans_budget(name):
    """Ten thousand passes in loops within loops, functions and blocks exceed five thousand."""
    assert "budget" in str(outcome_of(SPENDING[name]))
