"""From the machine file's values to literals of Structured Text."""

from __future__ import annotations

import math
from collections.abc import Iterable
from difflib import get_close_matches

from softctl.logic import parse_duration as parse_st_duration
from softctl.machine import Scalar
from softctl.plant.blocks import Input
from softctl.values.types import ELEMENTARY_TYPES
from softctl.values.units import dimension_words, parse_duration, parse_quantity

_PLAIN = {"1": "", "%": ""}


def literal(port: Input, scalar: Scalar) -> tuple[str, float | None]:
    """The ST literal of a parameter's value, and its figure in SI where it is a number.

    Raises ValueError with what was expected and what came.
    """
    if port.choices:
        return _choice(port, scalar), None
    if port.type in ("LREAL", "REAL"):
        return _real(port, scalar)
    if port.type in ("TIME", "LTIME"):
        nanoseconds = parse_duration(_text(scalar, "a time such as '90 s'"))
        return f"LT#{nanoseconds}ns" if port.type == "LTIME" else _time(nanoseconds), None
    if port.type in ELEMENTARY_TYPES and ELEMENTARY_TYPES[port.type].is_integer:
        return _whole(port, scalar)
    raise ValueError(f"expected nothing for {port.name}: a {port.type} cannot be set from here")


def literal_value(text: str) -> bool | int | float:
    """What a literal from `literal` stands for: a duration in nanoseconds."""
    if text in ("TRUE", "FALSE"):
        return text == "TRUE"
    if "#" in text:
        return parse_st_duration(text.partition("#")[2])
    return float(text) if "." in text or "e" in text else int(text)


def suggestion(name: str, known: Iterable[str]) -> str:
    """A hint at the known name that was probably meant, or no text."""
    names = {entry.lower(): entry for entry in known}
    close = get_close_matches(name.lower(), names, n=1, cutoff=0.6)
    return f"did you mean {names[close[0]]}?" if close else ""


def format_real(value: float) -> str:
    """A literal of type LREAL that reads back as the same double."""
    text = repr(value)
    return text if "." in text or "e" in text else text + ".0"


def shown(scalar: Scalar) -> str:
    """The value as messages show it."""
    value = scalar.value
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return "a list"
    if value is None:
        return "nothing"
    return repr(value) if isinstance(value, str | int | float) else "a mapping"


def _text(scalar: Scalar, expected: str) -> str:
    value = scalar.value
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError(f"expected {expected}, got {shown(scalar)}")
    return str(value)


def _choice(port: Input, scalar: Scalar) -> str:
    word = str(scalar.value).strip().lower()
    if not isinstance(scalar.value, str | bool) or word not in port.choices:
        raise ValueError(f"expected {' or '.join(port.choices)}, got {shown(scalar)}")
    return port.choices[word]


def _real(port: Input, scalar: Scalar) -> tuple[str, float]:
    unit = _PLAIN.get(port.unit or "", port.unit or "")
    value = parse_quantity(_text(scalar, dimension_words(unit)), unit)
    _check_limits(port, value, scalar)
    return format_real(value), value


def _whole(port: Input, scalar: Scalar) -> tuple[str, float]:
    value = scalar.value
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"expected a whole number, got {shown(scalar)}")
    type_ = ELEMENTARY_TYPES[port.type]
    if not type_.low <= value <= type_.high:
        raise ValueError(f"expected {type_.low} to {type_.high}, got {value}")
    _check_limits(port, value, scalar)
    return str(value), value


def _time(nanoseconds: int) -> str:
    milliseconds, rest = divmod(nanoseconds, 1_000_000)
    return f"T#{milliseconds}.{rest:06d}ms" if rest else f"T#{milliseconds}ms"


def _check_limits(port: Input, value: float, scalar: Scalar) -> None:
    low = -math.inf if port.low is None else port.low
    high = math.inf if port.high is None else port.high
    if not low <= value <= high:
        raise ValueError(f"expected {_limits(port)}, got {scalar.value}")


def _limits(port: Input) -> str:
    unit = "" if port.unit in (None, "1") else f" {port.unit}"
    if port.low is None:
        return f"at most {port.high:g}{unit}"
    if port.high is None:
        return f"at least {port.low:g}{unit}"
    return f"{port.low:g} to {port.high:g}{unit}"
