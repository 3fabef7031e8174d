"""Makes a body of statements shorter, under assumptions that can be tested.

A variable to which nothing but one constant is assigned, and which has that value already,
keeps it: it is replaced by its value, and what can then never run is left out. So the first
call of a block, and faults that nobody injected, cost nothing. An input that repeats another
variable is not copied at all: it is that variable.
"""

from __future__ import annotations

import ast
import operator
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any

Value = bool | int | float | str

_ELEMENTARY = (bool, int, float, str)
_ARITHMETIC: dict[type[ast.operator], Callable[[Any, Any], Any]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
}
_TESTS: dict[type[ast.cmpop], Callable[[Any, Any], bool]] = {
    ast.Eq: operator.eq,
    ast.NotEq: operator.ne,
    ast.Lt: operator.lt,
    ast.LtE: operator.le,
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
}
_UNARY: dict[type[ast.unaryop], Callable[[Any], Any]] = {
    ast.USub: operator.neg,
    ast.Not: operator.not_,
}


@dataclass
class Folded:
    """Statements, the values that they take for granted, and the variables left out.

    `assumed` maps variables to what they must be; `repeated` maps variables that are no
    longer assigned to those whose value they have at the end of a pass.
    """

    statements: list[ast.stmt]
    assumed: dict[str, Value]
    repeated: dict[str, str]


def fold(
    statements: list[ast.stmt],
    values: Mapping[str, Any],
    given: Iterable[str],
    *,
    parameters: bool,
) -> Folded:
    """Shorten statements, which are changed, for variables that have these values.

    Variables that are `given` anew before each pass are never constant. Without `parameters`
    only those count as constant that the statements themselves set.
    """
    given = frozenset(given)
    assumed: dict[str, Value] = {}
    statements = _Folder({}).block(statements)
    while found := dict(_constants(statements, values, given, assumed, parameters=parameters)):
        assumed |= found
        statements = _Folder(found).block(statements)
    statements, repeated = _without_repeats(statements, frozenset(values), given)
    return Folded(statements, assumed, repeated)


def assigned(statements: Sequence[ast.AST]) -> set[str]:
    """The names that statements assign in any way."""
    return {
        node.id
        for statement in statements
        for node in ast.walk(statement)
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)
    }


def used(statements: Sequence[ast.AST]) -> set[str]:
    """The names that statements read or assign."""
    return {
        node.id
        for statement in statements
        for node in ast.walk(statement)
        if isinstance(node, ast.Name)
    }


# Constants


def _constants(
    statements: list[ast.stmt],
    values: Mapping[str, Any],
    given: frozenset[str],
    known: Mapping[str, Value],
    *,
    parameters: bool,
) -> Iterable[tuple[str, Value]]:
    """Variables that keep their value whatever the statements do."""
    plain: dict[str, list[Value]] = {}
    sets: Counter[str] = Counter()
    names: set[str] = set()
    for node in chain.from_iterable(map(ast.walk, statements)):
        if isinstance(node, ast.Name):
            names.add(node.id)
            sets[node.id] += isinstance(node.ctx, ast.Store)
        elif constant := _set_constant(node):
            plain.setdefault(constant[0], []).append(constant[1])
    for name in names & values.keys():
        value, constants = values[name], plain.get(name, [])
        if name in given or name in known or type(value) not in _ELEMENTARY:
            continue
        is_kept = len(constants) == sets[name] and all(_same(one, value) for one in constants)
        if is_kept and (parameters or constants):
            yield name, value


def _set_constant(node: ast.AST) -> tuple[str, Value] | None:
    """The variable and value of an assignment of a constant."""
    if isinstance(node, ast.Assign) and len(node.targets) == 1:
        (target,) = node.targets
        if isinstance(target, ast.Name) and isinstance(node.value, ast.Constant):
            return target.id, node.value.value  # type: ignore[return-value]
    return None


def _same(one: Any, other: Any) -> bool:
    """Equal to the bit: 0.0 is not -0.0, and TRUE is not 1."""
    return type(one) is type(other) and repr(one) == repr(other)


class _Folder(ast.NodeTransformer):
    """Puts values in the place of variables and works out what has become constant."""

    def __init__(self, values: Mapping[str, Value]) -> None:
        self._values = values

    def block(self, statements: list[ast.stmt]) -> list[ast.stmt]:
        found = []
        for statement in statements:
            found += self._statement(statement)
        return found

    def _statement(self, node: ast.stmt) -> list[ast.stmt]:
        constant = _set_constant(node)
        if constant is not None and constant[0] in self._values:
            return []
        if isinstance(node, ast.Pass):
            return []
        if isinstance(node, ast.If):
            return self._if(node)
        return [self.visit(node)]

    def _if(self, node: ast.If) -> list[ast.stmt]:
        node.test = self.visit(node.test)
        if isinstance(node.test, ast.Constant):
            return self.block(node.body if node.test.value else node.orelse)
        node.body, node.orelse = self.block(node.body), self.block(node.orelse)
        if node.body:
            return [node]
        if node.orelse:
            node.test = ast.copy_location(ast.UnaryOp(ast.Not(), node.test), node.test)
            node.body, node.orelse = node.orelse, []
            return [node]
        # The test may have an effect: a fault, or a call.
        return [ast.copy_location(ast.Expr(node.test), node)] if _acts(node.test) else []

    def generic_visit(self, node: ast.AST) -> ast.AST:
        for name, value in ast.iter_fields(node):
            if isinstance(value, list) and value and isinstance(value[0], ast.stmt):
                kept = self.block(value)
                setattr(node, name, kept or ([ast.Pass(lineno=0, col_offset=0)] * (name == "body")))
            elif isinstance(value, list):
                setattr(node, name, [self.visit(item) for item in value])
            elif isinstance(value, ast.AST):
                setattr(node, name, self.visit(value))
        return node

    def visit_Name(self, node: ast.Name) -> ast.expr:
        if isinstance(node.ctx, ast.Load) and node.id in self._values:
            return _constant(self._values[node.id], node)
        return node

    def visit_UnaryOp(self, node: ast.UnaryOp) -> ast.expr:
        node.operand = self.visit(node.operand)
        apply = _UNARY.get(type(node.op))
        if apply is None or not isinstance(node.operand, ast.Constant):
            return node
        return _constant(apply(node.operand.value), node)

    def visit_BinOp(self, node: ast.BinOp) -> ast.expr:
        node.left, node.right = self.visit(node.left), self.visit(node.right)
        left, right = node.left, node.right
        apply = _ARITHMETIC.get(type(node.op))
        if apply is None:
            return node
        if isinstance(left, ast.Constant) and isinstance(right, ast.Constant):
            try:
                return _constant(apply(left.value, right.value), node)
            except (ArithmeticError, TypeError):
                return node
        if isinstance(node.op, ast.Mult) and _is(left, 1.0):
            return right
        if isinstance(node.op, ast.Mult | ast.Div) and _is(right, 1.0):
            return left
        return left if isinstance(node.op, ast.Sub) and _is(right, 0.0) else node

    def visit_Compare(self, node: ast.Compare) -> ast.expr:
        node.left = self.visit(node.left)
        node.comparators = [self.visit(item) for item in node.comparators]
        test = _TESTS.get(type(node.ops[0]))
        if test is None or len(node.ops) != 1:
            return node
        left, right = node.left, node.comparators[0]
        if not isinstance(right, ast.Constant):
            return node
        if isinstance(left, ast.Constant):
            return _constant(test(left.value, right.value), node)
        if type(right.value) is not bool:
            return node
        if test(True, right.value):  # the other side is TRUE or FALSE, and is the result itself
            return left
        return ast.copy_location(ast.UnaryOp(ast.Not(), left), node)

    def visit_BoolOp(self, node: ast.BoolOp) -> ast.expr:
        ends = isinstance(node.op, ast.Or)
        terms: list[ast.expr] = []
        for term in map(self.visit, node.values):
            if not isinstance(term, ast.Constant):
                terms.append(term)
            elif bool(term.value) is ends:  # what follows is never looked at
                terms.append(term)
                break
        if not terms:
            return _constant(not ends, node)
        *first, last = node.values = terms
        if isinstance(last, ast.Constant) and not any(map(_acts, first)):
            return last
        return last if not first else node

    def visit_IfExp(self, node: ast.IfExp) -> ast.expr:
        node.test = self.visit(node.test)
        node.body, node.orelse = self.visit(node.body), self.visit(node.orelse)
        if isinstance(node.test, ast.Constant):
            return node.body if node.test.value else node.orelse
        return node


def _constant(value: Any, place: ast.expr) -> ast.expr:
    return ast.copy_location(ast.Constant(value), place)


def _is(node: ast.expr, value: Value) -> bool:
    return isinstance(node, ast.Constant) and _same(node.value, value)


def _acts(node: ast.expr) -> bool:
    """Whether evaluating an expression may do more than give a value."""
    quiet = ast.Name | ast.Constant | ast.Compare | ast.BoolOp | ast.UnaryOp | ast.IfExp
    marks = ast.operator | ast.unaryop | ast.cmpop | ast.boolop | ast.expr_context
    return not all(isinstance(one, quiet | marks) for one in ast.walk(node))


# Repeats


def _without_repeats(
    statements: list[ast.stmt], variables: frozenset[str], given: frozenset[str]
) -> tuple[list[ast.stmt], dict[str, str]]:
    """Leave out copies `a = b` at the top level whose value is b's to the end of the pass.

    That holds where nothing else assigns a, nothing reads a before, and nothing assigns b,
    which is one of the variables, behind.
    """
    writes = [assigned([one]) for one in statements]
    reads = [used([one]) for one in statements]
    count: dict[str, int] = {}
    for names in writes:
        for name in names:
            count[name] = count.get(name, 0) + 1
    repeated: dict[str, str] = {}
    kept = []
    seen: set[str] = set()
    behind = _unions(writes)
    for position, statement in enumerate(statements):
        copy = _copied(statement)
        if copy is not None:
            name, source = copy[0], repeated.get(copy[1], copy[1])
            can_go = name not in given and source in variables
            is_first = count[name] == 1 and name not in seen
            if can_go and is_first and source not in behind[position + 1] and name != source:
                repeated[name] = source
                continue
        seen |= reads[position]
        kept.append(statement)
    renamer = _Renamer(repeated)
    return [renamer.visit(statement) for statement in kept], repeated


def _unions(writes: list[set[str]]) -> list[set[str]]:
    """For each position, what is assigned there or behind."""
    unions: list[set[str]] = [set()]
    for names in reversed(writes):
        unions.append(unions[-1] | names)
    return unions[::-1]


def _copied(node: ast.stmt) -> tuple[str, str] | None:
    if isinstance(node, ast.Assign) and len(node.targets) == 1:
        (target,) = node.targets
        if isinstance(target, ast.Name) and isinstance(node.value, ast.Name):
            return target.id, node.value.id
    return None


class _Renamer(ast.NodeTransformer):
    def __init__(self, names: Mapping[str, str]) -> None:
        self._names = names

    def visit_Name(self, node: ast.Name) -> ast.expr:
        node.id = self._names.get(node.id, node.id)
        return node
