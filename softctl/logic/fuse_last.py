"""Takes out of a body what only the last of many passes has to do.

A value that nothing in the body reads is seen behind the last pass only. If what it is
computed from stays as it is to the end of a pass, it is computed there, once.
"""

from __future__ import annotations

import ast
from collections import Counter
from itertools import chain

from softctl.logic.fuse_constants import assigned

_NO_FAULT = (
    ast.Name,
    ast.Constant,
    ast.Compare,
    ast.BoolOp,
    ast.UnaryOp,
    ast.IfExp,
    ast.NamedExpr,
    ast.BinOp,
    ast.operator,
    ast.unaryop,
    ast.cmpop,
    ast.boolop,
    ast.expr_context,
)


def split_last(statements: list[ast.stmt]) -> tuple[list[ast.stmt], list[ast.stmt]]:
    """The statements of every pass, and those that are enough once behind the last one."""
    sets = [assigned([one]) for one in statements]
    reads = [_read(one) for one in statements]
    often = {name for name, count in Counter(chain(*sets)).items() if count > 1}
    waiting: set[int] = set()
    behind: set[str] = set()
    for position in reversed(range(len(statements))):
        if _can_wait(statements[position]) and not (
            sets[position] & often or reads[position] & behind
        ):
            waiting.add(position)
        behind |= sets[position]
    while seen := waiting & _seen(sets, reads, waiting):
        waiting -= seen
    every = [one for position, one in enumerate(statements) if position not in waiting]
    return every, [statements[position] for position in sorted(waiting)]


def _seen(sets: list[set[str]], reads: list[set[str]], waiting: set[int]) -> set[int]:
    """The positions of statements whose variables are read by one that does not wait."""
    read = set().union(*(reads[p] for p in range(len(reads)) if p not in waiting))
    return {position for position, names in enumerate(sets) if names & read}


def _can_wait(node: ast.stmt) -> bool:
    """Whether it sets one variable from others and can neither fail nor do anything else."""
    if not isinstance(node, ast.Assign) or len(node.targets) != 1:
        return False
    (target,) = node.targets
    if not isinstance(target, ast.Name) or target.id in _read(node):
        return False
    return all(
        isinstance(one, _NO_FAULT) and not (isinstance(one, ast.BinOp) and _may_fail(one))
        for one in ast.walk(node.value)
    )


def _may_fail(node: ast.BinOp) -> bool:
    if isinstance(node.op, ast.Add | ast.Sub | ast.Mult):
        return False
    divides = isinstance(node.op, ast.Div) and isinstance(node.right, ast.Constant)
    return not (divides and node.right.value)  # type: ignore[attr-defined]


def _read(statement: ast.stmt) -> set[str]:
    """The variables that a statement reads, save for those that it has just set itself."""
    named = {one.target.id for one in ast.walk(statement) if isinstance(one, ast.NamedExpr)}
    read = {
        one.id
        for one in ast.walk(statement)
        if isinstance(one, ast.Name) and isinstance(one.ctx, ast.Load)
    }
    if isinstance(statement, ast.AugAssign) and isinstance(statement.target, ast.Name):
        read.add(statement.target.id)
    return read - named
