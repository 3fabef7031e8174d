"""Arithmetic on constants and on intervals, exact as the standard has it."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from softctl.logic.typed import Binary as TypedBinary
from softctl.logic.typed import (
    Constant,
    Convert,
    Expression,
    FunctionCall,
    Interval,
    Part,
    StandardCall,
    Variable,
)
from softctl.logic.types import REAL, Type, is_real, limits
from softctl.values.types import ElementaryType, round_to_real, whole_to_real


def divide(left: int, right: int) -> int:
    """Whole division that truncates towards zero."""
    quotient = abs(left) // abs(right)
    return quotient if (left < 0) == (right < 0) else -quotient


def remainder(left: int, right: int) -> int:
    """MOD: the sign of the dividend, and 0 for a zero divisor."""
    return left - divide(left, right) * right if right else 0


def wrap(value: int, type_: Type) -> int:
    """A whole number reduced to a type's width."""
    if not isinstance(type_, ElementaryType):
        return value
    size = type_.high - type_.low + 1
    return (value - type_.low) % size + type_.low


def power(base: Any, exponent: Any) -> Any:
    """`**` on numbers; OverflowError and ZeroDivisionError as Python raises them."""
    if isinstance(base, int) and isinstance(exponent, int):
        if exponent * base.bit_length() > _MOST_BITS:
            raise OverflowError
        return base**exponent if exponent >= 0 else inverse_power(base, exponent)
    result = base**exponent
    if isinstance(result, complex):
        raise ValueError
    return result


def inverse_power(base: int, exponent: int) -> int:
    """A whole number to a negative power, without working the power out."""
    if base == 0:
        raise ZeroDivisionError
    return 0 if abs(base) > 1 else base ** (exponent & 1)


_MOST_BITS = 1024
"""Powers longer than this fit no type and would take long."""


def fold(operator: str, left: Any, right: Any) -> Any:
    """The value of an operator on two constants of one Python type."""
    if operator == "/":
        return divide(left, right) if isinstance(left, int) else left / right
    return _OPERATIONS[operator](left, right)


_OPERATIONS: dict[str, Callable[[Any, Any], Any]] = {
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "*": lambda a, b: a * b,
    "MOD": remainder,
    "**": power,
    "AND": lambda a, b: a & b,
    "OR": lambda a, b: a | b,
    "XOR": lambda a, b: a ^ b,
    "=": lambda a, b: a == b,
    "<>": lambda a, b: a != b,
    "<": lambda a, b: a < b,
    ">": lambda a, b: a > b,
    "<=": lambda a, b: a <= b,
    ">=": lambda a, b: a >= b,
}


def settle(value: Any, type_: Type) -> Any:
    """A folded value as its type holds it: wrapped or rounded."""
    if isinstance(value, bool | str):
        return value
    if type_ == REAL:
        return whole_to_real(value) if isinstance(value, int) else round_to_real(value)
    if is_real(type_):
        return _nearest(value)
    return wrap(value, type_) if isinstance(value, int) else value


def _nearest(value: float) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf if value > 0 else -math.inf


def fold_as_real(constant: Constant) -> float:
    """An untyped constant as REAL: each of its operations rounded, as the run-time does.

    A literal takes the type that its surroundings ask for (IEC 61131-3, 6.3.2), and so do
    the operands of an operation on literals. Raises what `fold` raises.
    """
    chain: list[tuple[str, Constant]] = []
    while constant.parts is not None:
        operator, constant, right = constant.parts
        chain.append((operator, right))
    value: float = settle(constant.value, REAL)
    for operator, right in reversed(chain):
        value = settle(fold(operator, value, fold_as_real(right)), REAL)
    return value


# Intervals


def interval_of(expression: Expression) -> Interval | None:
    """The least and greatest value a whole-number expression can have."""
    if isinstance(expression, Constant):
        value = expression.value
        whole = isinstance(value, int) and not isinstance(value, bool)
        return (value, value) if whole else None
    if isinstance(expression, TypedBinary) and not expression.wraps and expression.interval:
        return expression.interval
    if isinstance(expression, Variable) and expression.interval is not None:
        return expression.interval
    if isinstance(expression, StandardCall) and expression.interval is not None:
        return expression.interval
    if isinstance(expression, FunctionCall) and expression.function.result is not None:
        return limits(expression.function.result)
    if isinstance(expression, Part):
        return (0, (1 << expression.width) - 1)
    if isinstance(expression, Convert) and not expression.wraps:
        return interval_of(expression.operand) or limits(expression.type)
    return limits(expression.type)


def interval_after(operator: str, left: Interval, right: Interval) -> Interval | None:
    """The interval of an operation on whole numbers, before any wrapping."""
    (a, b), (c, d) = left, right
    if operator == "+":
        return a + c, b + d
    if operator == "-":
        return a - d, b - c
    if operator == "*":
        products = (a * c, a * d, b * c, b * d)
        return min(products), max(products)
    if operator == "MOD":
        bound = max(abs(c), abs(d)) - 1 if (c, d) != (0, 0) else 0
        bound = max(bound, 0)
        return (max(-bound, min(a, 0)), min(bound, max(b, 0)))
    if operator == "/" and (c > 0 or d < 0):
        quotients = [divide(x, y) for x in (a, b) for y in (c, d)]
        return min(*quotients, 0 if a < 0 < b else quotients[0]), max(quotients)
    if operator == "/":
        largest = max(abs(a), abs(b))
        return (0 if a >= 0 and c >= 0 else -largest), largest
    return None


def fits(interval: Interval | None, type_: Type) -> bool:
    """True if a whole-number type holds the interval."""
    bounds = limits(type_)
    if bounds is None or interval is None:
        return bounds is None
    return bounds[0] <= interval[0] and interval[1] <= bounds[1]


__all__ = [
    "divide",
    "fits",
    "fold",
    "fold_as_real",
    "interval_after",
    "interval_of",
    "power",
    "remainder",
    "settle",
    "wrap",
]
