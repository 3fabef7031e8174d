"""The typed tree is enough for another back end: complete, resolved, and compiled as C."""

from __future__ import annotations

import ctypes
import dataclasses
import random
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from native import FLAGS, HEAD, ctypes_type, slots, struct_and_function
from random_logic import Expressions, Statements, plain
from test_logic_random import QUICK, same

from softctl.logic import Application, Source, compile_application, typed
from softctl.logic.source import Token
from softctl.logic.types import BlockType, UntypedLiteral

GROUPS = (
    ["SINT", "INT", "DINT", "LINT", "BOOL", "REAL", "LREAL"],
    ["USINT", "UINT", "UDINT", "ULINT", "BOOL", "REAL"],
    ["LREAL", "BOOL", "DINT"],
    ["TIME", "BOOL", "INT"],
)


def nodes(value: Any) -> Iterator[typed.Expression | typed.Statement]:
    """Every node below, found through the dataclasses' fields and nothing else."""
    if isinstance(value, list | tuple):
        for item in value:
            yield from nodes(item)
    elif isinstance(value, typed.Expression | typed.Statement):
        yield value
        for field in dataclasses.fields(value):
            yield from nodes(getattr(value, field.name))


def blocks(application: Application) -> list[typed.Block]:
    """The units that the programs reach through variables and calls."""
    found = [entry.block for entry in application.scheduled]
    for block in found:
        for symbol in block.symbols.values():
            if isinstance(symbol.type, BlockType) and symbol.type.block not in found:
                found.append(symbol.type.block)
        for node in nodes(block.body):
            if isinstance(node, typed.FunctionCall) and node.function not in found:
                found.append(node.function)
    return found


@settings(max_examples=60, deadline=None, phases=QUICK)
@given(seed=st.integers(0, 2**32))
def test_every_node_has_a_place_a_settled_type_and_a_resolved_symbol(seed):
    """A back end finds no name to look up, no literal to type and no node without a place."""
    text = Statements(random.Random(seed)).program(8)
    application = compile_application([Source("p.st", text)])
    shared = set(map(id, application.world.globals_.values()))
    for block in blocks(application):
        own = set(map(id, block.symbols.values()))
        for node in nodes(block.body):
            assert isinstance(node.at, Token)
            assert node.at.line >= 1
            assert node.at.column >= 1
            assert node.at.source.name
            if isinstance(node, typed.Expression):
                assert not isinstance(node.type, UntypedLiteral), node
            if isinstance(node, typed.Variable):
                assert id(node.symbol) in own | shared, node.symbol.name


def _program(seed: int) -> tuple[Application, dict[str, Any]]:
    rng = random.Random(seed)
    types = GROUPS[seed % len(GROUPS)]
    maker = Expressions(rng, {type_: {} for type_ in types})
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
    values = {n: plain(v) for names in maker.variables.values() for n, v in names.items()}
    return compile_application([Source("p.st", text)]), values


@pytest.mark.peer
@pytest.mark.skipif(shutil.which("gcc") is None, reason="needs a C compiler")
def test_straight_line_programs_give_the_same_values_as_native_code(tmp_path: Path) -> None:
    """C written from the tree alone, compiled by gcc, agrees with the generated Python."""
    made = [_program(seed) for seed in range(60)]
    units = [application.scheduled[0].block for application, _ in made]
    code = [struct_and_function(block, number) for number, block in enumerate(units)]
    (tmp_path / "p.c").write_text(HEAD + "\n".join(code))
    command = ["gcc", *FLAGS, "-o", str(tmp_path / "p.so"), str(tmp_path / "p.c"), "-lm"]
    subprocess.run(command, check=True)
    library = ctypes.CDLL(str(tmp_path / "p.so"))
    for number, (application, values) in enumerate(made):
        fields = [(s.key, ctypes_type(s.type)) for s in slots(units[number])]
        state = type("State", (ctypes.Structure,), {"_fields_": fields})()
        instance = application.instantiate()
        for name, value in values.items():
            instance.write(f"P.{name}", value)
            setattr(state, name.upper(), value)
        instance.scan(0)
        getattr(library, f"run{number}")(ctypes.byref(state))
        for key, _ in fields:
            found, wanted = getattr(state, key), instance.read(f"P.{key}")
            assert same(found, wanted), (number, key)
