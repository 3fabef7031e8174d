"""Which variables outlive a restart: RETAIN, by path."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import product

from softctl.logic import typed
from softctl.logic.schedule import Scheduled
from softctl.logic.types import ArrayType, BlockType, StructType, Type


def retained_paths(shared: Iterable[typed.Symbol], scheduled: Iterable[Scheduled]) -> Iterator[str]:
    """The paths of all elementary variables that are RETAIN or part of one that is."""
    for symbol in shared:
        at_address = symbol.name.startswith("%")
        path = symbol.address if at_address else symbol.name
        yield from _paths(path, symbol.type, symbol.retain)
    for entry in scheduled:
        yield from _of_block(entry.name, entry.block, False)


def _of_block(path: str, block: typed.Block, retain: bool) -> Iterator[str]:
    for symbol in block.symbols.values():
        if symbol.storage == "slot" and symbol.kind != "VAR_IN_OUT":
            yield from _paths(f"{path}.{symbol.name}", symbol.type, retain or symbol.retain)


def _paths(path: str, type_: Type, retain: bool) -> Iterator[str]:
    if isinstance(type_, BlockType):
        yield from _of_block(path, type_.block, retain)
    elif isinstance(type_, StructType):
        for field in type_.fields.values():
            yield from _paths(f"{path}.{field.name}", field.type, retain)
    elif isinstance(type_, ArrayType):
        if not retain and not _holds_blocks(type_.element):
            return
        for indices in product(*(range(low, high + 1) for low, high in type_.bounds)):
            yield from _paths(f"{path}[{','.join(map(str, indices))}]", type_.element, retain)
    elif retain:
        yield path


def _holds_blocks(type_: Type) -> bool:
    if isinstance(type_, StructType):
        return any(_holds_blocks(field.type) for field in type_.fields.values())
    if isinstance(type_, ArrayType):
        return _holds_blocks(type_.element)
    return isinstance(type_, BlockType)
