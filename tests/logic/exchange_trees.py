"""Syntax trees as plain values without positions, for comparing."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any

from softctl.logic import Source
from softctl.logic.parser import parse
from softctl.logic.source import Reporter, Token

_PLACES = frozenset(["at", "span", "source"])


def plain(node: Any) -> Any:
    """A node without its positions; a token is its text."""
    if isinstance(node, Token):
        return node.text
    if isinstance(node, list | tuple):
        return [plain(item) for item in node]
    if is_dataclass(node):
        values = {f.name: plain(getattr(node, f.name)) for f in fields(node)}
        return type(node).__name__, {k: v for k, v in values.items() if k not in _PLACES}
    return node


def tree_of(text: str, name: str = "p.st") -> Any:
    """The tree of a text that has no syntax errors."""
    reporter = Reporter()
    unit = parse(Source(name, text), reporter)
    assert not reporter.errors, "\n".join(map(str, reporter.errors))
    return plain(unit)
