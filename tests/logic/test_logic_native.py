"""Generated Python against C from the same typed tree, compiled by gcc.

The C back end in `native` and `native_units` is written for these tests: it shows that the
tree says all that native code needs, and finds what the Python generator gets wrong.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
import test_logic_programs as programs
from mutations import FILES
from native import Unsupported
from native_units import Native, Units, build
from native_values import signed
from random_charts import INPUTS, random_chart, random_inputs
from random_logic import Statements, plain
from random_texts import Everything

from softctl.logic import Application, LogicFault, Source, compile_application

MS = 1_000_000
GROUPS = (
    ["SINT", "INT", "DINT", "LINT", "BOOL", "REAL", "LREAL"],
    ["USINT", "UINT", "UDINT", "ULINT", "BOOL", "REAL"],
    ["LREAL", "BOOL", "DINT"],
    ["TIME", "BOOL", "INT", "DT", "TOD"],
    ["STRING", "WSTRING", "BOOL", "INT"],
    ["BYTE", "WORD", "DWORD", "LWORD", "BOOL", "UINT"],
)
LEFT_OUT = {
    "parse",
    "a text of DT",
    "a text of REAL",
    "a text of LREAL",
    "a text of TIME",
    "an image memory",
    "tasks",
    "arrays of any bounds",
}
"""What has no C here; an image memory and tasks are outside of the tree."""


class Case:
    """An application, ready for C."""

    def __init__(self, text: str, number: int) -> None:
        self.text = text
        self.application: Application = compile_application([Source("p.st", text)])
        self.units = Units(self.application, number)
        self.native: Native


def left_out(path: Path) -> str:
    """What in a program the C back end does not cover, or nothing."""
    try:
        Case(path.read_text(encoding="utf-8"), 0).units.text()
    except Unsupported as reason:
        return str(reason)
    return ""


REASONS = {path: left_out(path) for path in FILES}
COVERED = [path for path in FILES if not REASONS[path]]


def assignments(seed: int) -> tuple[str, dict[str, Any]]:
    """Expressions of every type in IF statements, and the values of their variables."""
    rng = random.Random(seed)
    types = GROUPS[seed % len(GROUPS)]
    maker = Everything(rng, {type_: {} for type_ in types})
    for number, type_ in enumerate(types):
        maker.variables[type_] = {f"v{number}_{k}": maker.value(type_) for k in range(2)}
    lines = []
    declared = [f"{name} : {type_};" for type_, names in maker.variables.items() for name in names]
    for number in range(12):
        type_ = rng.choice(types)
        declared.append(f"r{number} : {type_};")
        condition, other = maker.make("BOOL", 2).text, maker.make(type_, 2).text
        value = maker.make(type_, 3).text
        lines.append(
            f"IF {condition} THEN r{number} := {value}; ELSE r{number} := {other}; END_IF;"
        )
    text = f"PROGRAM P VAR {' '.join(declared)} END_VAR\n{chr(10).join(lines)}\nEND_PROGRAM"
    values = {
        n: v if isinstance(v, str) else plain(v)
        for names in maker.variables.values()
        for n, v in names.items()
    }
    return text, values


SEEDS = range(30)


@pytest.fixture(scope="module")
def cases(require_tool, tmp_path_factory) -> dict[Any, Case]:
    """Everything of this module in one library: a compiler takes its time to start."""
    require_tool("gcc")
    texts: dict[Any, str] = {}
    for path in COVERED:
        texts[path.stem] = path.read_text(encoding="utf-8")
    for seed in SEEDS:
        texts["assignments", seed] = assignments(seed)[0]
        texts["statements", seed] = Statements(random.Random(seed)).program(6)
        texts["chart", seed] = random_chart(random.Random(seed)).text()
    made = {key: Case(text, number) for number, (key, text) in enumerate(texts.items())}
    folder: Path = tmp_path_factory.mktemp("native")
    libraries = build([case.units for case in made.values()], folder)
    for case, native in zip(made.values(), libraries, strict=True):
        case.native = native
    return made


def same(left: Any, right: Any) -> bool:
    """Equal, or both not a number."""
    both = isinstance(left, float) and isinstance(right, float)
    return left == right or (both and math.isnan(left) and math.isnan(right))


def compare(case: Case, stimuli: Sequence[tuple[int, dict[str, Any]]]) -> int:
    """Scan both; every variable agrees after each scan, or both fault. Gives the scans."""
    instance, native = case.application.instantiate(), case.native
    read = instance.reader(native.paths)
    for number, (now, values) in enumerate(stimuli):
        for path, value in values.items():
            instance.write(path, value)
            native.write(path, value)
        faulted = False
        try:
            instance.scan(now)
        except LogicFault:
            faulted = True
        assert native.scan(now) is faulted, f"only one faults in scan {number}:\n{case.text}"
        if faulted:
            return number
        places = zip(native.units.values, read(), native.read(), strict=True)
        for (path, _, type_, _), wanted, found in places:
            assert same(found, signed(wanted, type_)), (
                f"{path} in scan {number} is {wanted}, C says {found}\n{case.text}"
            )
    return len(stimuli)


@pytest.mark.peer
@pytest.mark.parametrize("name", [path.stem for path in COVERED])
def test_programs_run_the_same_as_native_code(cases, name):
    """Over its script of stimuli, a program has the same state in C after every scan."""
    case = cases[name]
    script = {int(at): pairs for at, pairs, _ in programs._LINE.findall(case.text)}
    prefix = case.application.programs[0]
    stimuli = []
    for at in range(0, max(script) + 50, 10):
        pairs = programs._PAIR.findall(script.get(at, ""))
        values = {programs._path(prefix, n): programs._value(v) for n, v in pairs}
        stimuli.append((at * MS, values))
    assert compare(case, stimuli) > 1


@pytest.mark.peer
def test_expressions_give_the_same_values_as_native_code(cases):
    """Expressions of every elementary type, from variables of any value."""
    for seed in SEEDS:
        values = {f"P.{name}": value for name, value in assignments(seed)[1].items()}
        compare(cases["assignments", seed], [(0, values)])


@pytest.mark.peer
def test_statements_run_the_same_as_native_code(cases):
    """Branches, loops, calls of functions and blocks, structures and arrays over some scans."""
    scans = [
        compare(cases["statements", seed], [(n * 40 * MS, {}) for n in range(1, 7)])
        for seed in SEEDS
    ]
    assert scans.count(6) > 15  # most do not end in a fault


@pytest.mark.peer
def test_charts_run_the_same_as_native_code(cases):
    """Lowered charts: evolution, qualifiers, final scans."""
    for seed in SEEDS:
        rng = random.Random(seed)
        random_chart(rng)
        stimuli = [
            (number * 10 * MS, {f"P.c{i}": inputs[i] for i in range(INPUTS)})
            for number, inputs in enumerate(random_inputs(rng))
        ]
        assert compare(cases["chart", seed], stimuli) == len(stimuli)


def test_most_programs_have_c():
    """What this back end leaves out is the exception, and known."""
    assert set(REASONS.values()) <= LEFT_OUT | {""}
    assert len(COVERED) > 0.75 * len(FILES)
