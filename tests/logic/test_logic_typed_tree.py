"""The typed tree is enough for another back end: complete and resolved."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Iterator
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from mutations import FILES
from random_logic import Statements
from test_logic_random import QUICK

from softctl.logic import Application, Source, compile_application, typed
from softctl.logic.source import Token
from softctl.logic.types import BlockType, UntypedLiteral


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


def test_random_programs_and_program_files_have_every_kind_of_node():
    """What the back ends are compared on leaves no kind of node out."""
    kinds = {
        kind
        for kind in vars(typed).values()
        if isinstance(kind, type) and issubclass(kind, typed.Expression | typed.Statement)
    }
    texts = [Statements(random.Random(seed)).program(8) for seed in range(20)]
    drawn = _kinds(texts)
    everything = drawn | _kinds([path.read_text(encoding="utf-8") for path in FILES])
    bases = {typed.Expression, typed.Statement}
    assert kinds - bases - everything == set()
    assert kinds - bases - drawn <= {typed.Character, typed.OpenIndex, typed.Guarded}


def _kinds(texts: list[str]) -> set[type]:
    applications = [compile_application([Source("p.st", text)]) for text in texts]
    return {type(node) for a in applications for block in blocks(a) for node in nodes(block.body)}
