"""What a unit's body uses, found in one walk, so that the renderer can choose cheap forms."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, fields
from typing import Any

from softctl.logic import typed
from softctl.logic.types import is_aggregate, is_kind
from softctl.values.types import ElementaryType, Kind

_LOOP_WEIGHT = 10
_WORTH_A_LOCAL = 2


@dataclass
class Usage:
    """`functions` in order of appearance; `weights` counts accesses of aggregates by symbol."""

    functions: list[typed.Block] = field(default_factory=list)
    weights: dict[int, int] = field(default_factory=dict)
    symbols: dict[int, typed.Symbol] = field(default_factory=dict)

    @property
    def kept(self) -> list[typed.Symbol]:
        """Aggregates worth a local name.

        Arrays, structures and blocks are changed in place and never replaced while a unit
        runs, so one reference, fetched at the start, stays right, forced or not.
        """
        return [
            symbol
            for key, symbol in self.symbols.items()
            if self.weights[key] >= _WORTH_A_LOCAL and symbol.storage in ("slot", "global")
        ]


def survey(body: list[typed.Statement]) -> Usage:
    """The usage of a unit's body."""
    usage = Usage()
    _walk(body, usage)
    return usage


def calls_functions(node: typed.Expression) -> bool:
    """True if an expression calls a function of the program, which may have effects."""
    pending = [node]
    while pending:
        current = pending.pop()
        if isinstance(current, typed.FunctionCall):
            return True
        pending += children(current)
    return False


def children(node: typed.Expression) -> Iterable[typed.Expression]:
    """The expressions directly inside of one."""
    for name in CHILDREN[type(node)]:
        value = getattr(node, name)
        if isinstance(value, typed.Expression):
            yield value
        elif isinstance(value, list | tuple):
            yield from (item for item in value if isinstance(item, typed.Expression))


def _walk(body: list[typed.Statement], usage: Usage) -> None:
    """Every node in order of the text, without recursion: chains of operators may be long."""
    pending: list[tuple[Any, int]] = [(body, 1)]
    while pending:
        node, weight = pending.pop()
        if isinstance(node, list | tuple):
            pending += [(item, weight) for item in reversed(node)]
        elif isinstance(node, typed.Variable):
            if is_aggregate(node.symbol.type):
                key = id(node.symbol)
                usage.weights[key] = usage.weights.get(key, 0) + weight
                usage.symbols[key] = node.symbol
        elif (names := CHILDREN.get(type(node))) is not None:
            if isinstance(node, typed.FunctionCall):
                usage.functions.append(node.function)
            elif isinstance(node, typed.For | typed.While | typed.Repeat):
                weight *= _LOOP_WEIGHT
            pending += [(getattr(node, name), weight) for name in reversed(names)]


def _holds_nodes(annotation: str) -> bool:
    return "Expression" in annotation or "Statement" in annotation


CHILDREN: dict[type, tuple[str, ...]] = {
    class_: tuple(f.name for f in fields(class_) if _holds_nodes(str(f.type)))
    for class_ in vars(typed).values()
    if isinstance(class_, type) and issubclass(class_, typed.Expression | typed.Statement)
}
"""The attributes of each node's class that hold expressions or statements."""


_INLINED_STATEMENTS = 3


def is_inlined(block: typed.Block) -> bool:
    """True for a block of a few assignments, such as R_TRIG: a call costs more than they do.

    They must not be able to fault, as they would be blamed on the line of the call.
    """
    return len(block.body) <= _INLINED_STATEMENTS and all(
        isinstance(statement, typed.Assign)
        and isinstance(statement.target, typed.Variable)
        and statement.target.symbol.storage == "slot"
        and _is_plain(statement.value)
        for statement in block.body
    )


def _is_plain(node: typed.Expression) -> bool:
    if isinstance(node, typed.Variable):
        return node.symbol.storage == "slot" and isinstance(node.type, ElementaryType)
    logical = isinstance(node, typed.Unary | typed.Binary) and is_kind(node.type, Kind.BOOL)
    return isinstance(node, typed.Constant) or (logical and all(map(_is_plain, children(node))))
