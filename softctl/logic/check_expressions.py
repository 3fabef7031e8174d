"""Expressions: names become symbols, literals find their types."""

from __future__ import annotations

from softctl.logic import tree, typed
from softctl.logic.check_operators import OperatorChecker
from softctl.logic.source import Token, suggest
from softctl.logic.standard import elementary
from softctl.logic.types import (
    BOOL,
    ERROR,
    UNTYPED_INT,
    UNTYPED_REAL,
    UNTYPED_STRING,
    EnumType,
    StringType,
    Type,
    base_type,
    limits,
)
from softctl.values.types import ElementaryType, Kind


class ExpressionChecker(OperatorChecker):
    """Checks the expressions of one unit."""

    def expression(self, node: tree.Expression, want: Type | None = None) -> typed.Expression:
        """The checked expression; `want` helps literals and enumerations, it does not bind."""
        if isinstance(node, tree.Literal):
            return self._literal(node)
        if isinstance(node, tree.Name):
            return self._name(node, want)
        if isinstance(node, tree.Binary):
            return self.binary_chain(node, want)
        if isinstance(node, tree.Unary):
            return self.unary_operator(node, want)
        if isinstance(node, tree.Member):
            return self.member(node)
        if isinstance(node, tree.Index):
            return self.index(node)
        if isinstance(node, tree.Call):
            return self.call(node, want)
        if isinstance(node, tree.EnumLiteral):
            return self.enum_literal(node)
        if isinstance(node, tree.Bit):
            return self.bit(node)
        if isinstance(node, tree.Address):
            return self._address(node)
        if isinstance(node, tree.Condition):
            return self.condition(node.operand)
        return self.fail(node.at, "an initial value in brackets belongs in a declaration only")

    def value(self, node: tree.Expression, target: Type) -> typed.Expression:
        """The expression converted to a type."""
        return self.coerce(self.expression(node, target), target, node.at)

    def condition(self, node: tree.Expression) -> typed.Expression:
        """The expression as BOOL."""
        checked = self.expression(node, BOOL)
        if checked.type is not ERROR and checked.type != BOOL:
            checked = self.coerce(checked, BOOL, node.at)
        return checked

    def fail(self, at: Token, message: str, hint: str = "") -> typed.Expression:
        """Report an error; the result fits everywhere, so that it is not reported twice."""
        self.reporter.error(at, message, hint)
        return typed.Constant(at, ERROR, 0)

    # Leaves

    def _literal(self, node: tree.Literal) -> typed.Expression:
        value = node.value
        if node.type_name:
            return self._typed_literal(node)
        if isinstance(value, str):
            return typed.Constant(node.at, StringType(True) if node.wide else UNTYPED_STRING, value)
        return typed.Constant(
            node.at, UNTYPED_REAL if isinstance(value, float) else UNTYPED_INT, value
        )

    def _typed_literal(self, node: tree.Literal) -> typed.Expression:
        value = node.value
        type_: Type | None = elementary(node.type_name)
        if node.type_name in ("STRING", "WSTRING"):
            type_ = StringType(node.type_name == "WSTRING")
        elif (
            isinstance(type_, ElementaryType)
            and type_.kind
            in (
                Kind.DURATION,
                Kind.DATE,
                Kind.BOOL,
            )
            and not (isinstance(value, int) and type_.kind is Kind.BOOL and value not in (0, 1))
        ):
            return typed.Constant(node.at, type_, value)
        if type_ is None:
            declared = self.world.find_type(node.type_name)
            if declared is None:
                return self.fail(node.at, f"expected a type before #, got {node.type_name}")
            type_ = declared.type
        untyped = {int: UNTYPED_INT, float: UNTYPED_REAL, str: UNTYPED_STRING}[type(value)]
        return self.coerce(typed.Constant(node.at, untyped, value), type_, node.at)

    def _name(self, node: tree.Name, want: Type | None) -> typed.Expression:
        key = node.name.upper()
        symbol = self.find_symbol(key)
        if symbol is not None:
            return self.use(node.at, symbol)
        enums = self.world.enum_values.get(key, [])
        if enums:
            return self._enum_value(node, key, enums, want)
        unit = self.world.find_block(key)
        if unit is not None and unit is self.block and unit.kind == "FUNCTION":
            message = f"expected a variable: {node.name} has no result"
            return self.fail(node.at, message, f"write FUNCTION {node.name} : and its type")
        if unit is not None:
            hint = f"call it: {node.name}(…)" if unit.kind == "FUNCTION" else ""
            message = f"expected a variable, got the {unit.kind} {node.name}"
            return self.fail(node.at, message, hint)
        return self.fail(
            node.at,
            f"expected a declared name, got {node.name}",
            suggest(node.name, self.known_names()),
        )

    def use(self, at: Token, symbol: typed.Symbol) -> typed.Expression:
        """A read of a variable, or the value of a constant."""
        symbol.reads += 1
        type_ = base_type(symbol.type)
        if symbol.storage == "constant" and isinstance(symbol.initial, bool | int | float | str):
            return typed.Constant(at, type_, symbol.initial)
        interval = self.narrowed.get(id(symbol)) or limits(symbol.type)
        return typed.Variable(at, type_, symbol, interval)

    def _enum_value(
        self, node: tree.Name, key: str, enums: list[EnumType], want: Type | None
    ) -> typed.Expression:
        chosen = next((enum for enum in enums if enum is want), None)
        if chosen is None and len(enums) > 1:
            names = " or ".join(f"{enum.name}#{node.name}" for enum in enums)
            return self.fail(node.at, f"{node.name} belongs to several enumerations: write {names}")
        chosen = chosen or enums[0]
        return typed.Constant(node.at, chosen, chosen.values[key])

    def enum_literal(self, node: tree.EnumLiteral) -> typed.Expression:
        """A value of an enumeration, such as `Color#Red`."""
        declared = self.world.find_type(node.type_name)
        if declared is None or not isinstance(declared.type, EnumType):
            hint = suggest(node.type_name, self.world.type_names)
            return self.fail(
                node.at, f"expected an enumeration or a type before #, got {node.type_name}", hint
            )
        enum = declared.type
        if node.name.upper() not in enum.values:
            hint = suggest(node.name, enum.names)
            return self.fail(node.at, f"expected a value of {enum.name}, got {node.name}", hint)
        return typed.Constant(node.at, enum, enum.values[node.name.upper()])

    def _address(self, node: tree.Address) -> typed.Expression:
        symbol = self.find_address(node.text, node.at)
        if symbol is not None:
            return self.use(node.at, symbol)
        return self.fail(node.at, f"expected an address such as %IX0.0 or %MW10, got {node.text}")
