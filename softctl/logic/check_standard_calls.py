"""Calls of standard functions: overloads find their types, constants are folded."""

from __future__ import annotations

from softctl.logic import tree, typed
from softctl.logic.check_conversions import ConversionChecker
from softctl.logic.conversions import conversion_name
from softctl.logic.folded_calls import folded_call
from softctl.logic.source import Token, counted, suggest
from softctl.logic.standard import (
    OPERATORS,
    SIGNATURES,
    TIMED,
    Parameter,
    Signature,
    belongs,
    elementary,
    formal,
    split_typed_name,
)
from softctl.logic.types import (
    DINT,
    ERROR,
    INT,
    LREAL,
    MAX_STRING_LENGTH,
    REAL,
    UNTYPED_REAL,
    ArrayType,
    EnumType,
    OpenArrayType,
    StringType,
    Type,
    bound_key,
    common_type,
    is_aggregate,
    is_integer,
    is_kind,
    is_real,
    is_untyped,
    limits,
)
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType, Kind

_BOUNDS = {"LOWER_BOUND": "LOW", "UPPER_BOUND": "HIGH"}
_OF_AN_ARRAY = (Parameter("ARR", "", "ANY"), Parameter("DIM", "", "ANY_INT"))
_OF_ADDRESSES = frozenset(("ADR", "ADRINST", "REF", "SIZEOF", "__NEW", "__DELETE"))
_SHIFTS = frozenset(("SHL", "SHR", "ROL", "ROR"))
_BITS_OF_SIZE = {
    type_.bits: type_ for type_ in ELEMENTARY_TYPES.values() if type_.kind is Kind.BITS
}
_REPEATING = frozenset(("+", "*", "AND", "OR", "XOR", "=", "<", ">", "<=", ">="))


class StandardCallChecker(ConversionChecker):
    """Checks calls of standard functions; the call checker completes it."""

    def standard_call(self, node: tree.Call, name: str, want: Type | None) -> typed.Expression:
        forced: Type | None = None
        split = split_typed_name(name)
        if name not in SIGNATURES and name not in TIMED and split is not None:
            name, forced = split[0], _as_type(split[1])
        if name in TIMED:
            return self._timed_call(node, name)
        if name in OPERATORS or name == "NOT":
            return self._operator_call(node, name, forced, want)
        if name in _BOUNDS:
            return self._bound_call(node, name, want)
        if name in SIGNATURES:
            return self._signature_call(node, SIGNATURES[name], forced, want)
        if conversion_name(name) is None:
            return self._enum_conversion(node, name) or self._unknown(node, name)
        placed = self._place(node, formal(name, 1), node.arguments)
        if placed is None:
            return typed.Constant(node.at, ERROR, 0)
        return self.conversion_call(node.at, name, self.expression(placed[0]), want)

    def _bound_call(self, node: tree.Call, name: str, want: Type | None) -> typed.Expression:
        """LOWER_BOUND and UPPER_BOUND (IEC 61131-3, 6.6.2.5.15): ANY_INT, as it is needed."""
        placed = self._place(node, Signature(name, _OF_AN_ARRAY, "", False), node.arguments)
        if placed is None:
            return typed.Constant(node.at, ERROR, 0)
        array, dimension = self.expression(placed[0]), self.settle(self.expression(placed[1]))
        if array.type is ERROR or dimension.type is ERROR:
            return typed.Constant(node.at, ERROR, 0)
        if not isinstance(array.type, ArrayType | OpenArrayType):
            return self.fail(array.at, f"expected an array as ARR of {name}, got {array.type}")
        count = array.type.dimensions
        if not isinstance(dimension, typed.Constant) or not 1 <= dimension.value <= count:
            message = f"expected a constant from 1 to {count} as DIM of {name}"
            return self.fail(dimension.at, message)
        bound = self.bound(node.at, array, _BOUNDS[name], dimension.value)
        whole = isinstance(want, ElementaryType) and want.is_integer
        return self.number(node.at, bound, want) if whole and want is not None else bound

    def bound(
        self, at: Token, array: typed.Expression, which: str, dimension: int
    ) -> typed.Expression:
        """The LOW or HIGH bound of an array as DINT: a constant, or a hidden parameter."""
        if isinstance(array.type, ArrayType):
            bounds = array.type.bounds[dimension - 1]
            return typed.Constant(at, DINT, bounds[which == "HIGH"])
        assert isinstance(array, typed.Variable)
        assert self.block is not None
        symbol = self.block.symbols[bound_key(array.symbol.key, which, dimension)]
        return typed.Variable(at, DINT, symbol, limits(DINT))

    def _timed_call(self, node: tree.Call, name: str) -> typed.Expression:
        """ADD_TIME and the like: an operator with both its types fixed."""
        operator, *names = TIMED[name]
        placed = self._place(node, formal(name, 2), node.arguments)
        if placed is None:
            return typed.Constant(node.at, ERROR, 0)
        values = [self.expression(value) for value in placed]
        for position, type_name in enumerate(names):
            type_ = elementary(type_name)
            if type_ is not None and values[position].type is not ERROR:
                values[position] = self.coerce(values[position], type_)
        return self.binary(node.at, operator, values[0], values[1])

    def _enum_conversion(self, node: tree.Call, name: str) -> typed.Expression | None:
        """`INT_TO_Mode` and `Mode_TO_INT`, which the standard has not; None if it is neither."""
        source_name, mark, target_name = name.rpartition("TO_")
        declared = self.world.find_type(target_name) if mark else None
        source = self.world.find_type(source_name.rstrip("_")) if mark else None
        target = declared.type if declared is not None else elementary(target_name)
        enums = [d.type for d in (source, declared) if d is not None]
        if target is None or not enums or not all(isinstance(e, EnumType) for e in enums):
            return None
        self.reporter.depart(node.at, f"a conversion of the enumeration {enums[0]} by its name")
        placed = self._place(node, formal(name, 1), node.arguments)
        if placed is None:
            return typed.Constant(node.at, ERROR, 0)
        value = self.settle(self.expression(placed[0]))
        if isinstance(target, EnumType) and is_integer(value.type):
            return self.into_enum(value, target, node.at)
        if isinstance(target, ElementaryType) and value.type is enums[0]:
            return self.converted(node.at, value, target)
        return self.coerce(value, target, node.at)

    def _unknown(self, node: tree.Call, name: str) -> typed.Expression:
        names = [*SIGNATURES, *OPERATORS, *_BOUNDS, *self.world.block_names]
        callee = node.callee
        shown = callee.name if isinstance(callee, tree.Name) else name
        if name in _OF_ADDRESSES:
            return self.fail(
                node.at,
                f"pointers and references are not supported: expected a function, got {shown}",
            )
        return self.fail(node.at, f"expected a function, got {shown}", suggest(shown, names))

    def _operator_call(
        self,
        node: tree.Call,
        name: str,
        forced: Type | None,
        want: Type | None,
    ) -> typed.Expression:
        operator = OPERATORS.get(name, name)
        count = 1 if name == "NOT" else 2
        placed = self._place(node, formal(name, count, operator in _REPEATING), node.arguments)
        if placed is None:
            return typed.Constant(node.at, ERROR, 0)
        values = [self.expression(value, forced or want) for value in placed]
        if forced is not None:
            count = 1 if name == "EXPT" else len(values)
            values[:count] = [self._forced(value, forced) for value in values[:count]]
        if name == "NOT":
            return self.unary(node.at, "NOT", values[0])
        if operator in ("=", "<", ">", "<=", ">="):
            return self._comparison_chain(node.at, operator, placed, values)
        result = values[0]
        for value in values[1:]:
            result = self.binary(node.at, operator, result, value)
        return result

    def _forced(self, value: typed.Expression, type_: Type) -> typed.Expression:
        """An argument of a typed function; strings keep their length."""
        if isinstance(type_, StringType) and isinstance(value.type, StringType):
            return value
        return self.coerce(value, type_)

    def _comparison_chain(
        self,
        at: Token,
        operator: str,
        placed: list[tree.Expression],
        values: list[typed.Expression],
    ) -> typed.Expression:
        result = self.binary(at, operator, values[0], values[1])
        for position in range(2, len(values)):
            previous = self.expression(placed[position - 1])
            link = self.binary(at, operator, previous, values[position])
            result = self.binary(at, "AND", result, link)
        return result

    # Overloaded standard functions

    def _signature_call(
        self,
        node: tree.Call,
        signature: Signature,
        forced: Type | None,
        want: Type | None,
    ) -> typed.Expression:
        placed = self._place(node, signature, node.arguments)
        if placed is None:
            return typed.Constant(node.at, ERROR, 0)
        values = [self.expression(value, forced or want) for value in placed]
        if any(value.type is ERROR for value in values):
            return typed.Constant(node.at, ERROR, 0)
        number = values[0].type
        if signature.name in _SHIFTS and is_kind(number, Kind.SIGNED, Kind.UNSIGNED):
            assert isinstance(number, ElementaryType)
            self.reporter.depart(node.at, f"{signature.name} of {number}: convert it to bits first")
            values[0] = self.number(values[0].at, values[0], _BITS_OF_SIZE[number.bits])
            return self.number(
                node.at, self._overloaded(node, signature, values, forced, want), number
            )
        return self._overloaded(node, signature, values, forced, want)

    def _overloaded(
        self,
        node: tree.Call,
        signature: Signature,
        values: list[typed.Expression],
        forced: Type | None,
        want: Type | None,
    ) -> typed.Expression:
        bound = self._bind(node, signature, values, forced, want)
        if bound is None:
            return typed.Constant(node.at, ERROR, 0)
        for position, value in enumerate(values):
            parameter = signature.parameter(position)
            assert parameter is not None
            if parameter.variable:
                values[position] = self.coerce(value, bound[parameter.variable])
            elif parameter.generic == "ANY_INT":
                values[position] = self.settle(value)
            else:
                named = elementary(parameter.generic)
                assert named is not None
                values[position] = self.coerce(value, named)
        result = bound.get(signature.result) or elementary(signature.result)
        assert result is not None
        call = _sized(typed.StandardCall(node.at, result, signature.name, values))
        return self.folded(call, folded_call)

    def _place(
        self, node: tree.Call, signature: Signature, arguments: list[tree.Argument]
    ) -> list[tree.Expression] | None:
        slots: dict[int, tree.Expression] = {}
        for position, argument in enumerate(arguments):
            index: int | None = position
            if argument.name:
                index = signature.position(argument.name)
            found = index is not None and signature.parameter(index) is not None
            if index is None or not found or argument.value is None or argument.is_output:
                got = argument.name or f"argument {position + 1}"
                names = ", ".join(parameter.name for parameter in signature.parameters)
                self.fail(argument.at, f"expected {names} of {signature.name}, got {got}")
                return None
            slots[index] = argument.value
        count = max(len(signature.parameters), len(slots))
        if sorted(slots) != list(range(count)):
            number = len(signature.parameters)
            more = f"{number} or more arguments" if signature.repeats else ""
            wanted = more or counted(number, "argument")
            self.fail(
                node.at,
                f"expected {wanted} of {signature.name}, got {len(slots)}",
            )
            return None
        return [slots[index] for index in range(count)]

    def _bind(
        self,
        node: tree.Call,
        signature: Signature,
        values: list[typed.Expression],
        forced: Type | None,
        want: Type | None,
    ) -> dict[str, Type] | None:
        bound: dict[str, Type] = {}
        families: dict[str, str] = {}
        for position, value in enumerate(values):
            parameter = signature.parameter(position)
            assert parameter is not None
            if not parameter.variable:
                named = not parameter.generic.startswith("ANY")
                if not belongs(value.type, parameter.generic) and not (
                    named and is_untyped(value.type)  # a literal is fitted to a named type later
                ):
                    self._bad_argument(signature, parameter.name, parameter.generic, value)
                    return None
                continue
            letter = parameter.variable
            families[letter] = parameter.generic
            known = bound.get(letter)
            merged = value.type if known is None else _merge(known, value.type)
            if merged is None:
                self.fail(
                    value.at,
                    f"expected arguments of one type in {signature.name},"
                    f" got {known} and {value.type}",
                )
                return None
            bound[letter] = merged
        for letter, family in families.items():
            type_ = _default_for(bound[letter], family, forced, want)
            if type_ is None or not belongs(type_, family):
                self._bad_argument(signature, signature.parameters[0].name, family, values[0])
                return None
            bound[letter] = type_
        return bound

    def _bad_argument(
        self, signature: Signature, parameter: str, family: str, value: typed.Expression
    ) -> None:
        self.fail(
            value.at,
            f"expected {family} as {parameter} of {signature.name}, got {value.type}",
        )


def _as_type(type_: ElementaryType) -> Type:
    if type_.name in ("STRING", "WSTRING"):
        return StringType(type_.name == "WSTRING")
    return type_


def _sized(node: typed.StandardCall) -> typed.StandardCall:
    """How long the text of a result can be, and how large a length or position."""
    lengths = [a.type.length for a in node.arguments if isinstance(a.type, StringType)]
    if node.name in ("LEN", "FIND"):
        node.interval = (0, min(lengths[0], INT.high))
    elif isinstance(node.type, StringType) and node.name in ("CONCAT", "INSERT", "REPLACE"):
        node.type = StringType(node.type.wide, min(sum(lengths), MAX_STRING_LENGTH))
    return node


def _merge(known: Type, other: Type) -> Type | None:
    if known == other:
        return known
    if isinstance(known, StringType) and isinstance(other, StringType):
        return known if known.length >= other.length else other
    return common_type(known, other)


def _default_for(type_: Type, family: str, forced: Type | None, want: Type | None) -> Type | None:
    if forced is not None:
        return forced
    if family == "ANY_REAL" and not is_real(type_):
        if is_untyped(type_):
            return want if want in (REAL, LREAL) else LREAL
        return common_type(type_, UNTYPED_REAL)
    if not is_untyped(type_):
        return type_
    if type_ is UNTYPED_REAL:
        return want if want in (REAL, LREAL) else LREAL
    if is_integer(type_):
        fits = want is not None and not is_aggregate(want) and isinstance(want, ElementaryType)
        if fits and (belongs(want, family) if want is not None else False):
            return want
        return elementary("LWORD" if family == "ANY_BIT" else "DINT")
    return StringType()
