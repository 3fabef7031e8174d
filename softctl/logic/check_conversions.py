"""Calls of conversion functions, and what every checker of expressions can rely on."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from softctl.logic import tree, typed
from softctl.logic.conversions import ConversionName, conversion_name, rule, unit_ns
from softctl.logic.convert import Converter, convert
from softctl.logic.folded_calls import folded_conversion
from softctl.logic.folding import fits, interval_of, settle
from softctl.logic.python_fault import ScanFault
from softctl.logic.source import Token
from softctl.logic.standard import elementary
from softctl.logic.types import (
    DINT,
    ERROR,
    LINT,
    LREAL,
    UNTYPED_INT,
    UNTYPED_REAL,
    EnumType,
    StringType,
    Type,
    is_integer,
    is_kind,
    is_real,
    limits,
)
from softctl.logic.world import World
from softctl.values.types import ElementaryType, Kind

_BCD_OF_SIZE = {8: "BYTE", 16: "WORD", 32: "DWORD", 64: "LWORD"}
_Call = TypeVar("_Call", typed.StandardCall, typed.Convert)
_COUNT_OF_SIZE = {8: "USINT", 16: "UINT", 32: "UDINT", 64: "ULINT"}


class ConversionChecker(Converter):
    """Checks conversions; the classes built on it complete it."""

    def __init__(self, world: World, block: typed.Block | None) -> None:
        super().__init__(world.reporter)
        self.world = world
        self.block = block
        self.narrowed: dict[int, typed.Interval] = {}
        self.needs_constant = False

    def expression(self, node: tree.Expression, want: Type | None = None) -> typed.Expression:
        """See ExpressionChecker."""
        raise NotImplementedError

    def fail(self, at: Token, message: str, hint: str = "") -> typed.Expression:
        """See ExpressionChecker."""
        raise NotImplementedError

    def unary(self, at: Token, operator: str, operand: typed.Expression) -> typed.Expression:
        """See ExpressionChecker."""
        raise NotImplementedError

    def binary(
        self,
        at: Token,
        operator: str,
        left: typed.Expression,
        right: typed.Expression,
        want: Type | None = None,
    ) -> typed.Expression:
        """See ExpressionChecker."""
        raise NotImplementedError

    def condition(self, node: tree.Expression) -> typed.Expression:
        """See ExpressionChecker."""
        raise NotImplementedError

    def reference(self, node: tree.Expression) -> typed.Expression | None:
        """See StatementChecker."""
        raise NotImplementedError

    # Conversions

    def conversion_call(
        self, at: Token, name: str, value: typed.Expression, want: Type | None
    ) -> typed.Expression:
        """A conversion function of one checked argument."""
        found = conversion_name(name)
        assert found is not None
        value = self._source(value, found)
        if value.type is ERROR:
            return value
        if found.mode.endswith("bcd"):
            return self._bcd(at, value, found)
        if found.mode == "truncate":
            return self._truncated(at, value, found.target, want)
        assert found.target is not None
        return self.converted(at, value, found.target)

    def _source(self, value: typed.Expression, found: ConversionName) -> typed.Expression:
        if found.mode == "from bcd" and value.type is UNTYPED_INT:
            held = (elementary(name) for name in ("WORD", "DWORD", "LWORD"))
            bits = next((t for t in held if t is not None and fits(interval_of(value), t)), None)
            return self.coerce(value, bits) if bits is not None else value
        if found.source is None or isinstance(value.type, EnumType):
            return self.settle(value)
        if found.source.name in ("STRING", "WSTRING"):
            wide = found.source.name == "WSTRING"
            if isinstance(value.type, StringType) and value.type.wide == wide:
                return value
            return self.coerce(value, StringType(wide))
        return self.coerce(value, found.source)

    def _truncated(
        self,
        at: Token,
        value: typed.Expression,
        target: ElementaryType | None,
        want: Type | None,
    ) -> typed.Expression:
        if target is None:  # the target comes from the surroundings
            wanted = isinstance(want, ElementaryType) and want.is_integer
            target = want if wanted and isinstance(want, ElementaryType) else DINT
        if not target.is_integer:
            return self.fail(at, f"expected a whole-number type after TRUNC, got {target}")
        if not is_real(value.type) and not is_integer(value.type):
            return self.fail(value.at, f"expected a REAL or LREAL to truncate, got {value.type}")
        return self.number(at, value, target, "truncate")

    def converted(
        self, at: Token, value: typed.Expression, target: ElementaryType
    ) -> typed.Expression:
        """An explicit conversion, if the two types have one."""
        goal: Type = target
        if target.name in ("STRING", "WSTRING"):
            goal = StringType(target.name == "WSTRING")
        how = rule(value.type, goal)
        if not how:
            return self.fail(
                at, f"expected a pair of types that convert, got {value.type} and {target}"
            )
        if how == "number":
            return self.number(at, value, target)
        if how == "count":
            return self._counted(at, value, target)
        if how == "string" and isinstance(value.type, StringType):
            goal = StringType(target.name == "WSTRING", value.type.length)
        return self.folded(typed.Convert(at, goal, value, how, wraps=False), folded_conversion)

    def folded(
        self, node: _Call, fold: Callable[[_Call], typed.Constant | None]
    ) -> typed.Expression:
        """The value of a call on constants where a constant is asked for, or the call."""
        if not self.needs_constant:
            return node  # what it cannot do is a fault of the run, and may never be reached
        try:
            return fold(node) or node
        except ScanFault as fault:
            return self.fail(node.at, str(fault))
        except (ArithmeticError, ValueError):
            return self.fail(node.at, "expected arguments for which this has a value")

    def number(
        self, at: Token, value: typed.Expression, target: Type, mode: str = "round"
    ) -> typed.Expression:
        """A number converted to another type, folded for a constant."""
        if isinstance(value, typed.Constant):
            folded = _folded(value, target, mode)
            if folded is not None:
                return folded
        node = convert(value, target, mode)
        node.at = at
        return node

    def _counted(
        self, at: Token, value: typed.Expression, target: ElementaryType
    ) -> typed.Expression:
        """Between a duration or date and a number, in the unit of the former."""
        source = value.type
        if not is_kind(source, Kind.DURATION, Kind.DATE):
            return self._from_count(at, value, target)
        unit = unit_ns(source)
        if is_real(target):
            number = self.number(at, value, LREAL)
            scale = typed.Constant(at, LREAL, float(unit))
            return self.number(at, self.binary(at, "/", number, scale), target)
        number = self.number(at, value, LINT)
        count = self.binary(at, "/", number, typed.Constant(at, LINT, unit))
        return self.number(at, count, target)

    def _from_count(
        self, at: Token, value: typed.Expression, target: ElementaryType
    ) -> typed.Expression:
        unit = unit_ns(target)
        if is_real(value.type):
            scale = typed.Constant(at, LREAL, float(unit))
            number = value if value.type == LREAL else self.number(at, value, LREAL)
            return self.number(at, self.binary(at, "*", number, scale), target)
        whole = self.number(at, value, LINT)
        product = self.binary(at, "*", whole, typed.Constant(at, LINT, unit))
        if isinstance(product, typed.Constant):
            return typed.Constant(at, target, settle(product.value, target))
        node = convert(product, target)
        node.at = at
        return node

    def _bcd(self, at: Token, value: typed.Expression, found: ConversionName) -> typed.Expression:
        source, target = value.type, found.target
        into = found.mode == "to bcd"
        if not isinstance(source, ElementaryType) or not (
            source.is_integer if into else is_kind(source, Kind.BITS)
        ):
            wanted = "a whole number to write" if into else "a bit string to read"
            return self.fail(value.at, f"expected {wanted} as BCD, got {source}")
        names = _BCD_OF_SIZE if into else _COUNT_OF_SIZE
        target = target or elementary(names[source.bits])
        assert target is not None
        if not (is_kind(target, Kind.BITS) if into else target.is_integer):
            kind = "a bit string" if into else "a whole-number type"
            return self.fail(at, f"expected {kind} as result, got {target}")
        node = typed.Convert(at, target, value, found.mode, wraps=False)
        return self.folded(node, folded_conversion)


def _folded(value: typed.Constant, target: Type, mode: str) -> typed.Constant | None:
    number = value.value
    if isinstance(number, str) or value.type in (UNTYPED_INT, UNTYPED_REAL):
        return None
    if is_kind(target, Kind.BOOL):
        return typed.Constant(value.at, target, number != 0)
    if not is_real(target) and limits(target) is None:
        return None
    if isinstance(number, bool):
        number = int(number)
    if isinstance(number, float) and not is_real(target):
        number = int(number) if mode == "truncate" else round(number)
    return typed.Constant(value.at, target, settle(number, target))
