"""Every departure from the standard: a warning as a rule, an error where it must be kept."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

from softctl import logic
from softctl.errors import ProblemsError
from softctl.logic import Source, compile_application
from softctl.logic.source import Reporter

TYPES = "TYPE Mode : (Off, Auto := 5); END_TYPE "
SAMPLES = {
    "IF without ;": ("", "IF b THEN i := 1; END_IF", "END_IF without ;"),
    "STRUCT": ("TYPE S : STRUCT x : INT; END_STRUCT END_TYPE", "", "END_STRUCT without ;"),
    "length": ("s : STRING(8);", "s := 'x';", "a length in parentheses: write STRING[…]"),
    "VAR_CONSTANT": ("END_VAR VAR_CONSTANT k : INT := 1;", "i := k;", "VAR_CONSTANT in one word"),
    "nested comment": ("", "(* a (* b *) c *) i := 1;", "a comment inside a comment"),
    "bit": ("", "b := w.3;", "a bit by its bare number: write .%X3"),
    "bare body": (None, "VAR x : INT; END_VAR x := 1;", "a body outside any unit"),
    "bare array": ("a : ARRAY[1..2] OF INT := 1, 2;", "i := a[1];", "without brackets"),
    "soft keyword": ("step : INT;", "step := 1;", "the keyword STEP as a name"),
    "keyword between": ("by : INT;", "by := 1;", "the keyword BY as a name"),
    "type's name": ("dt : INT;", "dt := 1;", "the type's name DT as a name"),
    "instance": ("ton : TON;", "ton(IN := b, PT := T#1s);", "an instance with its type's name"),
    "function's name": ("max : INT;", "max := 1; i := MAX(1, 2);", "name of the function MAX"),
    "recursion": (
        "FUNCTION F : INT VAR_INPUT n:INT; END_VAR F := F(n); END_FUNCTION",
        "",
        "F calls",
    ),
    "input": ("END_VAR VAR_INPUT x : INT;", "x := 1;", "x is an input: copy it to write it"),
    "narrowing": ("d : DINT;", "i := d;", "DINT becomes INT here"),
    "loop": ("", "FOR i := 1 TO 3 DO i := i + 1; END_FOR;", "written inside its own FOR loop"),
    "step": ("u : UINT;", "FOR u := 3 TO 1 BY -1 DO i := 1; END_FOR;", "a negative step of a UINT"),
    "index": ("a : ARRAY[0..65535] OF INT;", "i := a[w];", "an index of type WORD"),
    "NOT": ("", "i := NOT i;", "NOT of INT"),
    "AND": ("", "i := i AND i;", "AND of INT values"),
    "sum of bits": ("", "w := w + w;", "+ of WORD values"),
    "bits and numbers": ("u : UINT;", "u := u + w;", "WORD next to a number"),
    "shift": ("", "i := SHL(i, 1);", "SHL of INT"),
    "enumeration in sums": ("m : Mode;", "i := m + 1;", "Mode next to a number"),
    "number for a value": ("m : Mode;", "m := 5;", "5 as a value of Mode: write Mode#Auto"),
    "number as a value": ("m : Mode;", "m := i;", "INT becomes Mode here"),
    "conversion": ("m : Mode;", "m := INT_TO_Mode(i);", "a conversion of the enumeration Mode"),
}


def program(declared: str | None, body: str) -> str:
    if declared is None:
        return body
    if declared.startswith(("TYPE", "FUNCTION")):
        return f"{declared} PROGRAM P VAR i : INT; END_VAR i := 1; END_PROGRAM"
    variables = f"b : BOOL; i : INT; w : WORD; {declared}"
    return f"{TYPES}PROGRAM P VAR {variables} END_VAR\n{body}\nEND_PROGRAM"


@pytest.mark.parametrize("name", SAMPLES)
def test_a_departure_is_a_warning_and_an_error_where_the_standard_must_be_kept(name):
    """Both say the same at the same place, and what the standard's form is."""
    declared, body, message = SAMPLES[name]
    source = Source("p.st", program(declared, body))
    application = compile_application([source])
    warned = {(w.place, w.message) for w in application.warnings if message in w.message}
    assert warned
    with pytest.raises(ProblemsError) as caught:
        compile_application([source], strict=True)
    assert warned <= {(p.place, p.message) for p in caught.value.problems}
    application.instantiate().scan(0)


def _sites() -> set[tuple[str, str]]:
    """The functions that note a departure, by module."""
    found = set()
    for path in Path(logic.__file__).parent.glob("*.py"):
        for function in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(function, ast.FunctionDef) and any(
                isinstance(node, ast.Attribute) and node.attr == "depart"
                for node in ast.walk(function)
            ):
                found.add((path.stem, function.name))
    return found


def test_every_departure_has_a_sample(monkeypatch):
    """Whoever adds one shows here what it is, and that strict refuses it."""
    seen = set()
    plain = Reporter.depart

    def noted(self, at, message, hint=""):
        code = sys._getframe(1).f_code
        seen.add((Path(code.co_filename).stem, code.co_name))
        plain(self, at, message, hint)

    monkeypatch.setattr(Reporter, "depart", noted)
    for declared, body, _ in SAMPLES.values():
        compile_application([Source("p.st", program(declared, body))])
    assert seen == _sites()


def test_line_comments_are_the_standards_own():
    """`//` and `/* */` are in the third edition (table 3, from memory): nothing to warn of."""
    text = "PROGRAM P // one\nVAR i : INT; END_VAR /* two */ i := 1; END_PROGRAM"
    assert not compile_application([Source("p.st", text)], strict=True).warnings
