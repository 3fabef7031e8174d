"""Programs that nest deeper than the generated Python can."""

from __future__ import annotations

import pytest

from softctl.errors import ProblemsError
from softctl.logic import Source, compile_application


def program(body: str) -> Source:
    return Source("deep.st", f"PROGRAM P VAR a : LREAL := 1.0; END_VAR {body} END_PROGRAM")


@pytest.mark.parametrize("terms", [300, 5000])
def test_a_chain_that_is_too_long_is_an_error_of_the_file(terms: int) -> None:
    """An expression that Python cannot hold is refused with words, not with a traceback."""
    with pytest.raises(ProblemsError, match=r"nest less deeply.*deep\.st"):
        compile_application([program("a := " + " + ".join(["a"] * terms) + ";")])


@pytest.mark.parametrize(
    "body",
    [
        "a := " + "(" * 30 + "a + 1.0" + ")" * 30 + ";",
        "IF a > 0.0 THEN " * 30 + "a := 2.0;" + " END_IF;" * 30,
    ],
    ids=["brackets", "blocks"],
)
def test_deep_nesting_that_people_could_write_runs(body: str) -> None:
    """Thirty brackets or blocks inside one another are no trouble."""
    instance = compile_application([program(body)]).instantiate()
    instance.scan(0)
    assert instance.read("P.a") == 2.0
