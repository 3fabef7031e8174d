"""How much a variable holds: what would fill the machine's memory is an error of the text."""

from __future__ import annotations

from collections.abc import Iterable
from math import prod

from softctl.logic import typed
from softctl.logic.source import Reporter
from softctl.logic.types import ArrayType, BlockType, StructType, Type

MAX_VALUES = 1_000_000
"""Single values that one variable may hold, those of its members and elements together."""


def check_sizes(symbols: Iterable[typed.Symbol], reporter: Reporter) -> None:
    """Report each variable that holds too much."""
    known: dict[int, int] = {}
    for symbol in symbols:
        count = _values(symbol.type, known)
        if count > MAX_VALUES:
            reporter.error(
                symbol.at,
                f"expected at most {MAX_VALUES} values in one variable, got {count} in"
                f" {symbol.name}",
            )


def _values(type_: Type, known: dict[int, int]) -> int:
    if isinstance(type_, ArrayType):
        count = prod(high - low + 1 for low, high in type_.bounds)
        return count * _values(type_.element, known)
    if isinstance(type_, StructType):
        parts = [field.type for field in type_.fields.values()]
        key = id(type_)
    elif isinstance(type_, BlockType):
        parts = [s.type for s in type_.block.symbols.values() if s.storage == "slot"]
        key = id(type_.block)
    else:
        return 1
    if key not in known:
        known[key] = sum(_values(part, known) for part in parts)
    return known[key]
