"""How deep programs may nest and how long their chains may be."""

from __future__ import annotations

import numpy as np
import pytest

from softctl.errors import ProblemsError
from softctl.logic import Source, compile_application

DECLARED = "a : LREAL := 1.0; r : REAL := 0.1; i : INT := 3; m, n : BOOL := TRUE; s : STRING;"


def program(body: str, declared: str = DECLARED) -> Source:
    return Source("deep.st", f"PROGRAM P VAR {declared} END_VAR\n{body}\nEND_PROGRAM")


def run(body: str, declared: str = DECLARED):
    instance = compile_application([program(body, declared)]).instantiate()
    instance.scan(0)
    return instance


def errors(*texts: str):
    with pytest.raises(ProblemsError) as caught:
        compile_application([Source("deep.st", text) for text in texts])
    return caught.value.problems


@pytest.mark.parametrize("terms", [25, 300, 5000])
def test_chains_of_operators_may_be_long(terms: int) -> None:
    """A chain groups to the left without nesting, so its length has no limit."""
    assert run(f"a := {' + '.join(['a'] * terms)};").read("P.a") == terms
    assert run(f"i := {' - '.join(['i'] * terms)};").read("P.i") == _int(3 - 3 * (terms - 1))
    assert run(f"i := {' * '.join(['i'] * terms)};").read("P.i") == _int(3**terms)
    assert run(f"m := {' AND '.join(['m'] * terms)} AND NOT n;").read("P.m") is False
    assert run(f"m := {' OR '.join(['i > 5'] * terms)} OR n;").read("P.m") is True
    assert run(f"m := {' XOR '.join(['n'] * terms)};").read("P.m") is bool(terms % 2)


def _int(value: int) -> int:
    return (value + 32768) % 65536 - 32768


@pytest.mark.parametrize(
    "where", ["r := {};", "IF NOT n THEN ELSIF r + {} > 0.0 THEN r := {}; END_IF;"]
)
def test_long_chains_of_reals_round_at_each_operator(where: str) -> None:
    """The same single roundings as numpy's float32, one after the other."""
    wanted = np.float32(0.1)
    for _ in range(1999):
        wanted = np.float32(wanted + np.float32(0.1))
    text = " + ".join(["r"] * 2000)
    assert run(where.replace("{}", text)).read("P.r") == float(wanted)


def test_a_chain_stops_at_its_first_decisive_operand() -> None:
    """AND in a chain of hundreds still leaves the rest alone: no index is out of range."""
    body = f"m := n AND i < 3 AND {' AND '.join(['z[i]'] * 400)};"
    assert run(body, f"{DECLARED} z : ARRAY[0..2] OF BOOL;").read("P.m") is False


@pytest.mark.parametrize(
    "body",
    [
        "a := " + "(" * 58 + "a + 1.0" + ")" * 58 + ";",
        "IF a > 0.0 THEN " * 58 + "a := 2.0;" + " END_IF;" * 58,
        "FOR i := 1 TO 1 DO "
        + "REPEAT " * 15
        + "a := 2.0;"
        + " UNTIL n END_REPEAT;" * 15
        + " END_FOR;",
        "a := " + "MAX(1.0, a + " * 28 + "a" + ")" * 28 + " - 27.0;",
        "i := " + "ABS(i * " * 25 + "1" + ")" * 25 + "; a := 2.0;",
        "r := " + "(r * " * 28 + "r" + ")" * 28 + "; a := 2.0;",
        "a := - - - - - - - - - - - - - - - - - - - - (a + 1.0);",
        "m := NOT NOT NOT NOT NOT NOT NOT NOT NOT NOT m; a := 2.0;",
    ],
    ids=["brackets", "blocks", "loops", "calls", "wraps", "reals", "minus", "not"],
)
def test_deep_nesting_that_people_could_write_runs(body: str) -> None:
    """Dozens of brackets, blocks, calls or loops inside one another are no trouble."""
    assert run(body).read("P.a") == 2.0


@pytest.mark.parametrize(
    ("body", "column"),
    [
        ("a := " + "(" * 1000 + "a" + ")" * 1000 + ";", 66),
        ("m := " + "NOT " * 1000 + "m;", 246),
        ("a := " + "-" * 1000 + "a;", 66),
        ("IF m THEN " * 1000 + "a := 2.0;" + " END_IF;" * 1000, 594),
        ("a := " + "ABS(" * 1000 + "a" + ")" * 1000 + ";", 246),
        ("a := a" + ".b" * 1000 + ";", 127),
        ("a := a" + "[1]" * 1000 + ";", 185),
    ],
    ids=["brackets", "not", "minus", "blocks", "calls", "members", "indices"],
)
def test_what_nests_without_measure_is_one_error_with_its_place(body: str, column: int) -> None:
    """The limit is told where it is passed, once, and later units are still read."""
    found = errors(f"{program(body).text}\nPROGRAM Q VAR x : INTT; END_VAR END_PROGRAM")
    deep = found[0]
    assert "at most 60 levels inside one another" in deep.message
    assert (deep.place.file, deep.place.line) == ("deep.st", 2)
    assert deep.place.column == column
    assert [problem.message for problem in found[1:]] == ["expected a type, got INTT"]


@pytest.mark.parametrize("spec", ["ARRAY[1..2] OF ", "STRUCT x : "])
def test_types_and_initial_values_have_the_same_limit(spec: str) -> None:
    """Nor do declarations exhaust anything."""
    text = f"TYPE T : {spec * 1000} INT; END_TYPE"
    assert "at most 60 levels" in errors(text)[0].message
    initial = f"PROGRAM P VAR x : ARRAY[1..2] OF INT := {'[' * 1000}; END_VAR END_PROGRAM"
    assert "at most 60 levels" in errors(initial)[0].message


def test_too_many_loops_inside_one_another_are_an_error() -> None:
    """Seventeen loops are one too many, and the seventeenth is named."""
    found = errors(program("WHILE n DO\n" * 17 + "END_WHILE;" * 17).text)
    assert [str(p.place) for p in found] == ["deep.st:18:1"]
    assert "at most 16 loops" in found[0].message


@pytest.mark.parametrize("count", [199, 200, 201, 2500])
def test_a_case_or_if_may_have_any_number_of_branches(count: int) -> None:
    """Long tables of labels and ELSIFs run, the ELSE included, whichever branch it is."""
    arms = "\n".join(f"{k}: a := {k}.0;" for k in range(count))
    tests = "\n".join(f"ELSIF r * 1.0 = {k}.0 THEN r := {k}.5;" for k in range(count))
    text = f"CASE i OF\n{arms}\nELSE a := -1.0; END_CASE;\nIF m AND NOT m THEN\n{tests}\n"
    instance = compile_application([program(f"{text}ELSE r := -1.0; END_IF;")]).instantiate()
    for value in (0, 198, 199, 200, 201, 2499, 2500):
        instance.write("P.i", value)
        instance.write("P.r", value)
        instance.scan(0)
        inside = value < count
        assert instance.read("P.a") == (value if inside else -1.0)
        assert instance.read("P.r") == (value + 0.5 if inside else -1.0)


def test_charts_may_have_hundreds_of_steps() -> None:
    """The transitions of a long chart are no chain that could be too long."""
    steps = "\n".join(f"STEP S{k}: END_STEP" for k in range(1, 400))
    moves = "\n".join(
        f"TRANSITION FROM S{k} TO S{(k + 1) % 400} := TRUE; END_TRANSITION" for k in range(400)
    )
    text = f"PROGRAM P\nINITIAL_STEP S0: END_STEP\n{steps}\n{moves}\nEND_PROGRAM"
    instance = compile_application([Source("p.st", text)]).instantiate()
    for number in range(402):
        instance.scan(number)
    assert instance.active_steps("P") == ("S1",)
