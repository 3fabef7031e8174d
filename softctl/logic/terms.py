"""A condition taken apart at its ANDs and ORs, so that each part can be looked at alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from softctl.logic import tree
from softctl.logic.exchange.st_text import expression
from softctl.logic.lexer import tokenize
from softctl.logic.parse_expressions import ExpressionParser
from softctl.logic.source import Reporter, Source

_JOINING = ("AND", "OR")


@dataclass(frozen=True, slots=True)
class Term:
    """A part without AND or OR at its top: a comparison, a call, a variable, or its NOT."""

    text: str


@dataclass(frozen=True, slots=True)
class Joined:
    """Parts that AND or OR joins; neighbours of the same operator are one list."""

    operator: str
    parts: tuple[Term | Joined, ...]


@lru_cache(maxsize=1024)
def split_condition(text: str) -> Term | Joined:
    """The parts of a condition that has been compiled before."""
    reporter = Reporter()
    node = ExpressionParser(tokenize(Source("condition", text), reporter), reporter).expression()
    return _split(node)


def terms_of(part: Term | Joined) -> Iterator[Term]:
    """Every term, from the left."""
    if isinstance(part, Term):
        yield part
    else:
        for one in part.parts:
            yield from terms_of(one)


def _split(node: tree.Expression) -> Term | Joined:
    if not (isinstance(node, tree.Binary) and node.operator in _JOINING):
        return Term(expression(node))
    return Joined(node.operator, tuple(_split(one) for one in _operands(node, node.operator)))


def _operands(node: tree.Expression, operator: str) -> list[tree.Expression]:
    """What a chain of one operator joins; chains can be long, so in a loop."""
    found: list[tree.Expression] = []
    left = [node]
    while left:
        one = left.pop()
        if isinstance(one, tree.Binary) and one.operator == operator:
            left += [one.right, one.left]
        else:
            found.append(one)
    return found
