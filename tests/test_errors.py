"""How problems read."""

from __future__ import annotations

from softctl.errors import Place, Problem, ProblemsError


def test_a_problem_names_what_was_expected_what_came_and_where() -> None:
    """One line for the message, with file, line, column and key path."""
    place = Place("configs/x/machine.yaml", 31, 12, "equipment.T_101.initial_level")
    problem = Problem("expected a level between 0 and 1.6 m, got 2 m", place)
    assert str(problem) == (
        "error: expected a level between 0 and 1.6 m, got 2 m "
        "(configs/x/machine.yaml:31:12, equipment.T_101.initial_level)"
    )


def test_the_caret_stands_below_the_column() -> None:
    """The excerpt is followed by a caret in the same column, also after a tab."""
    problem = Problem("expected ;", Place("a.st", 3, 4), excerpt="\tX = 1", hint="did you mean :=?")
    lines = str(problem).splitlines()
    assert lines[1][4:] == " X = 1"
    assert lines[2].index("^") - 4 == 3
    assert lines[1][lines[2].index("^")] == "="
    assert lines[3].strip() == "did you mean :=?"


def test_all_problems_are_in_the_text() -> None:
    """The error of a whole folder says everything."""
    problems = [Problem(f"expected {n}", Place("a", n, 1)) for n in (1, 2)]
    assert str(ProblemsError(problems)).count("expected") == 2
