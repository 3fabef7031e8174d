"""Initial values of variables and types, as the Python values that typed symbols carry."""

from __future__ import annotations

from typing import Any

from softctl.logic import tree, typed
from softctl.logic.check_statements import StatementChecker
from softctl.logic.source import suggest
from softctl.logic.types import ERROR, ArrayType, BlockType, StructType, Type, is_integer
from softctl.logic.world import World


class InitialValues:
    """Works out constants and initial values."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.reporter = world.reporter

    def _checker(self, block: typed.Block | None) -> StatementChecker:
        checker = StatementChecker(self.world, block)
        checker.needs_constant = True
        return checker

    def constant_int(self, node: tree.Expression, block: typed.Block | None) -> int | None:
        """The value of a constant whole number, or None after an error."""
        value = self._checker(block).expression(node)
        if value.type is ERROR:
            return None
        if isinstance(value, typed.Constant) and is_integer(value.type):
            return int(value.value)
        self.reporter.error(node.at, "expected a constant whole number")
        return None

    def initial(self, node: tree.Expression, type_: Type, block: typed.Block | None) -> Any:
        """The Python value of an initial value, or None after an error."""
        checker = self._checker(block)
        if type_ is ERROR:
            return None
        if isinstance(type_, ArrayType):
            return self._array_initial(node, type_, block)
        if isinstance(type_, StructType | BlockType):
            return self._struct_initial(node, type_, block)
        value = checker.value(node, type_)
        if value.type is ERROR:
            return None
        if isinstance(value, typed.Constant):
            return value.value
        self.reporter.error(node.at, "expected a constant as initial value")
        return None

    def _array_initial(
        self, node: tree.Expression, type_: ArrayType, block: typed.Block | None
    ) -> Any:
        if not isinstance(node, tree.ArrayInitial):
            constant = self._constant_aggregate(node, type_, block)
            if constant is None:
                self.reporter.error(node.at, f"expected […] as initial value of {type_}")
            return constant
        low, high = type_.bounds[0]
        inner: Type = type_.element
        rest = type_.bounds[1:]
        size = 1
        for bound in type_.bounds:
            size *= bound[1] - bound[0] + 1
        count = high - low + 1
        nested = bool(rest) and any(isinstance(v, tree.ArrayInitial) for _, v in node.items)
        if nested:
            inner = ArrayType(rest, type_.element, type_.initial)
        elif rest:
            count = size
        values: list[Any] = []
        for repeat, item in node.items:
            times = 1 if repeat is None else self.constant_int(repeat, block) or 0
            value = None if item is None else self.initial(item, inner, block)
            values += [value] * min(times, count + 1)
        if len(values) > count:
            self.reporter.error(node.at, f"expected at most {count} values, got more")
            return None
        default = None if nested else type_.initial
        values = [default if value is None else value for value in values]
        values += [default] * (count - len(values))
        return tuple(values) if nested or not rest else _folded_rows(values, type_.bounds)

    def _constant_aggregate(
        self, node: tree.Expression, type_: Type, block: typed.Block | None
    ) -> Any:
        if not isinstance(node, tree.Name):
            return None
        symbol = StatementChecker(self.world, block).find_symbol(node.name.upper())
        if symbol is None or (symbol.kind == "VAR" and symbol.writable):
            return None
        return symbol.initial if symbol.type == type_ else None

    def _struct_initial(
        self, node: tree.Expression, type_: StructType | BlockType, block: typed.Block | None
    ) -> Any:
        if not isinstance(node, tree.StructInitial):
            self.reporter.error(node.at, f"expected (member := value, …) for {type_}")
            return None
        values: dict[str, Any] = {}
        for argument in node.fields:
            key = argument.name.upper()
            member: Any
            if isinstance(type_, StructType):
                member, names = type_.fields.get(key), [f.name for f in type_.fields.values()]
            else:
                inputs = type_.block.of_kind("VAR_INPUT", "VAR_OUTPUT", "VAR")
                member = next((s for s in inputs if s.key == key), None)
                names = [symbol.name for symbol in inputs]
            if member is None or argument.value is None:
                hint = suggest(argument.name, names)
                self.reporter.error(
                    argument.at, f"expected a member of {type_}, got {argument.name}", hint
                )
                continue
            values[key] = self.initial(argument.value, member.type, block)
        return values


def _folded_rows(values: list[Any], bounds: tuple[tuple[int, int], ...]) -> tuple[Any, ...]:
    """A flat list of values as nested rows."""
    for low, high in reversed(bounds[1:]):
        width = high - low + 1
        values = [tuple(values[i : i + width]) for i in range(0, len(values), width)]
    return tuple(values)
