"""Operators: what types they join, what they fold to, where their results can wrap."""

from __future__ import annotations

from softctl.logic import tree, typed
from softctl.logic.check_access import AccessChecker
from softctl.logic.convert import convert
from softctl.logic.folding import fits, fold, interval_after, interval_of, settle
from softctl.logic.source import Token
from softctl.logic.standard import elementary
from softctl.logic.types import (
    BOOL,
    ERROR,
    LREAL,
    LTIME,
    LWORD,
    REAL,
    TIME,
    UNTYPED_INT,
    UNTYPED_REAL,
    ArrayType,
    BlockType,
    EnumType,
    StringType,
    StructType,
    Type,
    common_type,
    is_integer,
    is_kind,
    is_numeric,
    is_real,
    is_string,
    is_untyped,
    limits,
)
from softctl.values.types import ElementaryType, Kind

_COMPARISONS = frozenset(("=", "<>", "<", ">", "<=", ">="))


class OperatorChecker(AccessChecker):
    """Checks operators; the expression checker completes it."""

    def unary_operator(self, node: tree.Unary, want: Type | None) -> typed.Expression:
        operand = self.expression(node.operand, want)
        if node.operator == "NOT" and operand.type is UNTYPED_INT:
            bits = isinstance(want, ElementaryType) and (
                want.is_integer or is_kind(want, Kind.BITS)
            )
            operand = self.coerce(operand, want if bits and want is not None else LWORD)
        return self.unary(node.at, node.operator, operand)

    def unary(self, at: Token, operator: str, operand: typed.Expression) -> typed.Expression:
        """NOT or minus on a checked operand."""
        type_ = operand.type
        if type_ is ERROR:
            return operand
        if operator == "NOT":
            return self._not(at, operand)
        if not is_numeric(type_) and not is_kind(type_, Kind.DURATION):
            return self.fail(at, f"expected a number after -, got {type_}")
        if isinstance(operand, typed.Constant):
            return self._negated(at, operand)
        interval = interval_of(operand)
        wraps = interval is not None and not fits((-interval[1], -interval[0]), type_)
        return typed.Unary(at, type_, "-", operand, wraps)

    def _negated(self, at: Token, operand: typed.Constant) -> typed.Constant:
        type_ = operand.type
        made = typed.Constant(at, type_, settle(-operand.value, type_))
        if operand.parts is not None:
            made.parts = ("*", operand, typed.Constant(at, UNTYPED_REAL, -1.0))
        return made

    def _not(self, at: Token, operand: typed.Expression) -> typed.Expression:
        type_ = operand.type
        if is_kind(type_, Kind.BOOL):
            if isinstance(operand, typed.Constant):
                return typed.Constant(at, type_, not operand.value)
            return typed.Unary(at, type_, "NOT", operand)
        if is_kind(type_, Kind.SIGNED, Kind.UNSIGNED):
            self.reporter.depart(at, f"NOT of {type_}: convert it to a bit string first")
        elif not is_kind(type_, Kind.BITS):
            return self.fail(at, f"expected a BOOL or bit string after NOT, got {type_}")
        if isinstance(operand, typed.Constant):
            return typed.Constant(at, type_, settle(~operand.value, type_))
        return typed.Unary(at, type_, "NOT", operand)

    def binary_chain(self, node: tree.Binary, want: Type | None) -> typed.Expression:
        """A chain of operators, from its innermost left end outwards: it may be long."""
        chain: list[tuple[tree.Binary, Type | None]] = []
        inner: tree.Expression = node
        while isinstance(inner, tree.Binary):
            if inner.operator in _COMPARISONS:
                want = None
            chain.append((inner, want))
            inner = inner.left
        left = self.expression(inner, want)
        for link, wanted in reversed(chain):
            enum = left.type if isinstance(left.type, EnumType) else None
            right = self.expression(link.right, enum or wanted)
            other = isinstance(right.type, EnumType) and left.type is not right.type
            if other and isinstance(link.left, tree.Name):
                left = self.expression(link.left, right.type)
            left = self.binary(link.at, link.operator, left, right, wanted)
        return left

    def binary(
        self,
        at: Token,
        operator: str,
        left: typed.Expression,
        right: typed.Expression,
        want: Type | None = None,
    ) -> typed.Expression:
        """An operator on checked operands."""
        if left.type is ERROR or right.type is ERROR:
            return typed.Constant(at, BOOL if operator in _COMPARISONS else ERROR, 0)
        if operator in _COMPARISONS:
            return self._comparison(at, operator, left, right)
        if operator in ("AND", "OR", "XOR"):
            return self._logical(at, operator, left, right)
        timed = self._timed(at, operator, left, right)
        if timed is not None:
            return timed
        return self._arithmetic(at, operator, left, right, want)

    def _comparison(
        self, at: Token, operator: str, left: typed.Expression, right: typed.Expression
    ) -> typed.Expression:
        left, right = self._as_numbers(left, right)
        type_ = common_type(left.type, right.type)
        if type_ is None and isinstance(left.type, EnumType) and is_integer(right.type):
            type_ = right.type
        elif type_ is None and isinstance(right.type, EnumType) and is_integer(left.type):
            type_ = left.type
        if type_ is None or isinstance(type_, ArrayType | StructType | BlockType):
            return self._bad_operands(at, operator, left, right)
        if isinstance(type_, ElementaryType | StringType):
            left, right = self.coerce(left, type_), self.coerce(right, type_)
        if isinstance(left, typed.Constant) and isinstance(right, typed.Constant):
            return typed.Constant(at, BOOL, fold(operator, left.value, right.value))
        if operator in ("=", "<>") and is_real(type_) and not _is_zero(left, right):
            self.reporter.warn(at, f"{type_} values compared with {operator}: rounding decides")
        return typed.Binary(at, BOOL, operator, left, right)

    def _logical(
        self, at: Token, operator: str, left: typed.Expression, right: typed.Expression
    ) -> typed.Expression:
        type_ = common_type(left.type, right.type)
        if type_ is UNTYPED_INT:
            type_ = elementary("LWORD")
        if type_ is None or not is_kind(type_, Kind.BOOL, Kind.BITS, Kind.SIGNED, Kind.UNSIGNED):
            return self._bad_operands(at, operator, left, right)
        if is_kind(type_, Kind.SIGNED, Kind.UNSIGNED):
            self.reporter.depart(at, f"{operator} of {type_} values: convert them to bit strings")
        left, right = self.coerce(left, type_), self.coerce(right, type_)
        if isinstance(left, typed.Constant) and isinstance(right, typed.Constant):
            return typed.Constant(at, type_, fold(operator, left.value, right.value))
        return typed.Binary(at, type_, operator, left, right)

    def _arithmetic(
        self,
        at: Token,
        operator: str,
        left: typed.Expression,
        right: typed.Expression,
        want: Type | None,
    ) -> typed.Expression:
        left, right = self._as_numbers(left, right)
        type_ = common_type(left.type, right.type)
        if type_ == REAL and want == LREAL and REAL not in (left.type, right.type):
            type_ = LREAL  # a literal takes the type that its surroundings ask for
        bits = is_kind(type_, Kind.BITS) if type_ is not None else False
        if type_ is None or not (is_numeric(type_) or bits):
            return self._bad_operands(at, operator, left, right)
        if bits:
            self.reporter.depart(at, f"{operator} of {type_} values: convert them to numbers")
        if operator == "MOD" and is_real(type_):
            return self.fail(
                at, f"expected whole numbers around MOD, got {left.type} and {right.type}"
            )
        if operator == "**":
            return self._power(at, left, right)
        left, right = self._same(left, type_), self._same(right, type_)
        if ERROR in (left.type, right.type):
            return left
        if isinstance(left, typed.Constant) and isinstance(right, typed.Constant):
            return self._folded(at, operator, left, right, type_)
        if operator == "/" and isinstance(right, typed.Constant) and right.value == 0:
            return self.fail(right.at, "expected a divisor other than zero, got 0")
        return self._sized(typed.Binary(at, type_, operator, left, right))

    def _as_numbers(
        self, left: typed.Expression, right: typed.Expression
    ) -> tuple[typed.Expression, typed.Expression]:
        """A bit string, or a value of an enumeration, next to a number counts as one."""
        if isinstance(left.type, EnumType) and is_integer(right.type):
            return self._as_base(left, left.type), right
        if isinstance(right.type, EnumType) and is_integer(left.type):
            return left, self._as_base(right, right.type)
        if is_kind(left.type, Kind.BITS) and _is_typed_number(right.type):
            return self._as_number(left), right
        if is_kind(right.type, Kind.BITS) and _is_typed_number(left.type):
            return left, self._as_number(right)
        return left, right

    def _as_base(self, value: typed.Expression, enum: EnumType) -> typed.Expression:
        self.reporter.depart(value.at, f"{enum} next to a number: compare it with its names")
        return self.number(value.at, value, enum.base)

    def _as_number(self, value: typed.Expression) -> typed.Expression:
        assert isinstance(value.type, ElementaryType)
        name = {8: "USINT", 16: "UINT", 32: "UDINT", 64: "ULINT"}[value.type.bits]
        target = elementary(name)
        assert target is not None
        message = f"{value.type} next to a number: write {value.type}_TO_{name}(…)"
        self.reporter.depart(value.at, message)
        return self.converted(value.at, value, target)

    def _same(self, value: typed.Expression, type_: Type) -> typed.Expression:
        if is_untyped(type_):
            return value
        return self.coerce(value, type_)

    def _power(
        self, at: Token, left: typed.Expression, right: typed.Expression
    ) -> typed.Expression:
        if not is_untyped(left.type) and is_untyped(right.type):
            right = self.settle(right, left.type if is_real(right.type) else None)
        if is_untyped(left.type) and not is_untyped(right.type):
            left = self.settle(left, right.type)
        if is_integer(left.type) and is_real(right.type):
            left = self.coerce(left, common_type(left.type, right.type) or right.type)
        if isinstance(left, typed.Constant) and isinstance(right, typed.Constant):
            return self._folded(at, "**", left, right, left.type)
        node = typed.Binary(at, left.type, "**", left, right)
        node.wraps = is_integer(left.type)
        return node

    def _folded(
        self,
        at: Token,
        operator: str,
        left: typed.Constant,
        right: typed.Constant,
        type_: Type,
    ) -> typed.Expression:
        first, second = left.value, right.value
        if type_ is UNTYPED_REAL:
            first, second = float(first), float(second)
        try:
            value = fold(operator, first, second)
        except ZeroDivisionError:
            return self.fail(right.at, "expected a divisor other than zero, got 0")
        except (OverflowError, ValueError):
            return self.fail(at, "expected a constant within the range of its type")
        if type_ is UNTYPED_INT and isinstance(value, float):
            type_ = UNTYPED_REAL
        made = typed.Constant(at, type_, settle(value, type_))
        if type_ is UNTYPED_REAL:
            made.parts = (operator, left, right)
        elif type_ is UNTYPED_INT and operator == "/" and value * second != first:
            self.reporter.warn(
                at, f"{first} / {second} of whole numbers is {value}: write {first}.0 / {second}.0"
            )
        return made

    def _sized(self, node: typed.Binary) -> typed.Expression:
        """Find the interval of a whole-number operation and whether it has to wrap.

        `+`, `-` and `*` give the same residue whether or not their operands were wrapped,
        so that only the outermost of a chain wraps.
        """
        if not limits(node.type):
            return node
        if node.operator in ("+", "-", "*"):
            for operand in (node.left, node.right):
                if isinstance(operand, typed.Binary) and operand.operator in ("+", "-", "*"):
                    operand.wraps = False
        left, right = interval_of(node.left), interval_of(node.right)
        if left is None or right is None:
            return node
        interval = interval_after(node.operator, left, right)
        node.wraps = interval is None or not fits(interval, node.type)
        node.interval = interval
        return node

    def _timed(
        self, at: Token, operator: str, left: typed.Expression, right: typed.Expression
    ) -> typed.Expression | None:
        a, b = left.type, right.type
        first = is_kind(a, Kind.DURATION, Kind.DATE)
        second = is_kind(b, Kind.DURATION, Kind.DATE)
        if not first and not second:
            return None
        result = _timed_result(operator, a, b)
        if result is None:
            return self._bad_operands(at, operator, left, right)
        if is_real(a) or is_real(b):
            number = self.binary(at, operator, _as_lreal(left), _as_lreal(right))
            return self.number(at, number, result)
        if not first or not second:
            left, right = self.settle(left), self.settle(right)
        if isinstance(left, typed.Constant) and isinstance(right, typed.Constant):
            return self._folded(at, operator, left, right, result)
        return self._sized(typed.Binary(at, result, operator, left, right))

    def _bad_operands(
        self, at: Token, operator: str, left: typed.Expression, right: typed.Expression
    ) -> typed.Expression:
        if operator in _COMPARISONS:
            wanted = "values of one type"
        elif operator in ("AND", "OR", "XOR"):
            wanted = "BOOL values or bit strings"
        elif operator in ("+", "-"):
            wanted = "numbers, or durations and dates,"
        else:
            wanted = "numbers"
        message = f"expected {wanted} around {operator}, got {left.type} and {right.type}"
        joins = operator == "+" and (is_string(left.type) or is_string(right.type))
        return self.fail(at, message, "to join texts, write CONCAT(…)" if joins else "")


def _is_typed_number(type_: Type) -> bool:
    return is_numeric(type_) and not is_untyped(type_)


def _is_zero(*operands: typed.Expression) -> bool:
    """True if an operand is the literal 0, which many use as an exact mark."""
    return any(isinstance(o, typed.Constant) and o.value == 0 for o in operands)


def _as_lreal(value: typed.Expression) -> typed.Expression:
    if isinstance(value, typed.Constant):
        return typed.Constant(value.at, LREAL, float(value.value))
    return convert(value, LREAL) if value.type != LREAL else value


def _timed_result(operator: str, left: Type, right: Type) -> Type | None:
    """The type of an operation with durations and dates (table 30), or None."""
    first, second = is_kind(left, Kind.DURATION), is_kind(right, Kind.DURATION)
    if first and second and operator in ("+", "-"):
        return LTIME if LTIME in (left, right) else TIME
    if first and operator in ("*", "/") and is_numeric(right):
        return left
    if second and operator == "*" and is_numeric(left):
        return right
    if not is_kind(left, Kind.DATE):
        return None
    assert isinstance(left, ElementaryType)
    if second and operator in ("+", "-") and left.name not in ("DATE", "LDATE"):
        return left
    if operator == "-" and left == right:
        return LTIME if left.name.startswith("L") else TIME
    return None
