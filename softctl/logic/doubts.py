"""Warnings about programs that are correct but probably not meant that way."""

from __future__ import annotations

from dataclasses import replace

from softctl.logic import tree, typed
from softctl.logic.check_statements import StatementChecker
from softctl.logic.source import Reporter
from softctl.logic.types import BlockType
from softctl.logic.world import World

_HIDDEN = "__"


def warn_of_variables(block: typed.Block, reporter: Reporter) -> None:
    """Variables that nothing uses, or that are read but never get a value; and results."""
    for symbol in block.symbols.values():
        if symbol.kind == "RESULT" and not symbol.writes:
            reporter.warn(symbol.at, f"{symbol.name} never gets a result")
        if symbol.kind not in ("VAR", "VAR_TEMP") or symbol.name.startswith(_HIDDEN):
            continue
        if not symbol.reads and not symbol.writes:
            reporter.warn(symbol.at, f"{symbol.name} is never used")
        elif symbol.writes or symbol.storage == "constant" or symbol.initial is not None:
            continue
        elif not symbol.address and not isinstance(symbol.type, BlockType):
            reporter.warn(symbol.at, f"{symbol.name} is read but never written")


def warn_of_transitions(pou: tree.Pou, block: typed.Block, world: World) -> None:
    """Transitions whose condition comes out FALSE whatever happens."""
    hushed = StatementChecker(replace(world, reporter=Reporter()), block)
    for transition in pou.network.transitions if pou.network is not None else ():
        condition = transition.condition
        if _is_never(hushed.expression(condition)):
            world.reporter.warn(condition.at, "this transition can never be cleared")


def _is_never(condition: typed.Expression) -> bool:
    chain: list[typed.Binary] = []
    while isinstance(condition, typed.Binary) and condition.operator in ("AND", "OR"):
        chain.append(condition)
        condition = condition.left
    never = isinstance(condition, typed.Constant) and condition.value is False
    for link in reversed(chain):
        parts = (never, _is_never(link.right))
        never = any(parts) if link.operator == "AND" else all(parts)
    return never


def warn_of_two_writers(
    programs: list[tuple[typed.Block, set[int]]], symbols: list[typed.Symbol], reporter: Reporter
) -> None:
    """Global variables that more than one program writes; sets hold the ids of written symbols."""
    for symbol in symbols:
        writers = [block for block, written in programs if id(symbol) in written]
        if len(writers) > 1:
            names = " and ".join(block.name for block in writers)
            reporter.warn(writers[-1].at, f"{symbol.name} is written by {names}")
