"""Standard functions and conversions of constants, computed by what computes them at run time."""

from __future__ import annotations

from itertools import count
from typing import Any

from softctl.logic.folding import settle
from softctl.logic.python_functions import render_conversion, render_function
from softctl.logic.python_runtime import NAMESPACE
from softctl.logic.typed import Constant, Convert, StandardCall

_SIMPLE = bool | int | float | str


def folded_call(node: StandardCall) -> Constant | None:
    """The value of a call on constants, or None if one is no simple constant.

    Raises ScanFault, ArithmeticError or ValueError where the run would end in a fault.
    """
    texts = []
    for argument in node.arguments:
        if not isinstance(argument, Constant) or not isinstance(argument.value, _SIMPLE):
            return None
        texts.append(f"({argument.value!r})")
    value = _value(render_function(node.name, texts, node.type, _fresh()))
    return Constant(node.at, node.type, settle(value, node.type))


def folded_conversion(node: Convert) -> Constant | None:
    """The same for a conversion that is no plain change of a number."""
    operand = node.operand
    if not isinstance(operand, Constant) or not isinstance(operand.value, _SIMPLE):
        return None
    text = f"({operand.value!r})"
    value = _value(render_conversion(node.mode, text, operand.type, node.type, _fresh()))
    return Constant(node.at, node.type, settle(value, node.type))


def _fresh() -> Any:
    numbers = count(1)
    return lambda: f"t{next(numbers)}"


def _value(text: str) -> Any:
    return eval(text, dict(NAMESPACE))
