"""What is left out of a fused body, and what has to stay: on the statements themselves."""

from __future__ import annotations

import ast

import pytest

from softctl.logic.fuse_constants import fold


def _folded(text, values, given=(), *, parameters=True):
    folded = fold(ast.parse(text).body, values, given, parameters=parameters)
    return "\n".join(map(ast.unparse, folded.statements)), folded.assumed, folded.repeated


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("x = y * one", "x = y"),
        ("x = y - zero", "x = y"),
        ("x = y + zero", "x = y + 0.0"),  # -0.0 + 0.0 is 0.0
        ("x = y - minus_zero", "x = y - -0.0"),  # -0.0 - -0.0 is 0.0
        ("x = y / zero", "x = y / 0.0"),
        ("x = one / zero", "x = 1.0 / 0.0"),
        ("x = one + two", "x = 3.0"),
        ("if yes and y > zero:\n    x = y", "if y > 0.0:\n    x = y"),
        ("if no and y > zero:\n    x = y", ""),
        ("if y > zero and no:\n    x = y", ""),
        ("if call(y) and no:\n    x = y", "if call(y) and False:\n    x = y"),
        ("if yes or y > zero:\n    x = y", "x = y"),
        ("if (y > zero) != yes:\n    x = y", "if not y > 0.0:\n    x = y"),
        ("if y > zero:\n    pass\nelse:\n    x = y", "if not y > 0.0:\n    x = y"),
        ("if 1 / y > two:\n    pass", "1 / y > 2.0"),  # a division by zero is a fault
        ("for k in three:\n    no = False", "for k in three:\n    pass"),
    ],
)
def test_what_is_left(text, left):
    """Constants are worked out, and nothing that could act or fail is dropped."""
    values = {
        "one": 1.0,
        "two": 2.0,
        "zero": 0.0,
        "minus_zero": -0.0,
        "yes": True,
        "no": False,
        "three": [1, 2, 3],
    }
    statements, _, _ = _folded(text, values)
    # y is left as an array's element would be: nothing is known of it.
    assert statements == left


def test_a_latch_takes_its_branch_with_it():
    """What is only ever set to the value that it has is assumed, and what follows from it."""
    text = "if not ready:\n    ready = True\n    size = 3.0\nx = size * y\ny = x"
    statements, assumed, _ = _folded(text, {"ready": True, "size": 7.5, "x": 0.0, "y": 1.0})
    assert assumed == {"ready": True, "size": 7.5}
    assert statements == "x = 7.5 * y\ny = x"


def test_without_parameters_only_latches_are_assumed():
    """A value that nobody sets is looked up then, as it may be another one."""
    text = "if not ready:\n    ready = True\n    size = 3.0\nx = size * y\ny = x"
    values = {"ready": True, "size": 7.5, "x": 0.0, "y": 1.0}
    statements, assumed, _ = _folded(text, values, parameters=False)
    assert assumed == {"ready": True}
    assert statements == "x = size * y\ny = x"


def test_what_comes_from_outside_is_no_constant_and_no_copy():
    """A variable that is given anew before each pass keeps its name and its assignments."""
    text = "a = b\nx = a + c"
    values = {"a": 1.0, "b": 1.0, "c": 2.0, "x": 3.0}
    statements, assumed, repeated = _folded("x = a + c\nc = x", values, ["a"])
    assert (statements, assumed) == ("x = a + c\nc = x", {})
    statements, assumed, repeated = _folded(text, values, ["a", "b", "c"])
    assert (statements, assumed, repeated) == (text, {}, {})


@pytest.mark.parametrize(
    ("text", "left", "repeated"),
    [
        ("a = b\nx = a + x", "x = b + x", {"a": "b"}),
        ("a = b\nc = a\nx = c + x", "x = b + x", {"a": "b", "c": "b"}),
        ("a = b\nx = a + x\nb = x", "a = b\nx = a + x\nb = x", {}),
        ("x = a + x\na = b", "x = a + x\na = b", {}),
        ("a = b\nif x > 0:\n    a = x", "a = b\nif x > 0:\n    a = x", {}),
        ("if x > 0:\n    a = b", "if x > 0:\n    a = b", {}),
    ],
)
def test_a_copy_that_stays_one_is_not_made(text, left, repeated):
    """A copy goes where its source stays as it is behind it, and it was not read before."""
    body = text + "\nx = x + call(b)"
    values = {"a": 1.0, "b": 2.0, "c": 3.0, "x": 0.5}
    found = _folded(body, values, ["b"])
    assert found == (left + "\nx = x + call(b)", {}, repeated)
