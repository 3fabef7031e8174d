"""Values of points as JSON has them, and back.

BOOL is true or false, numbers are numbers (not finite ones null), texts text. A duration is
in seconds, a date or time of day the text that people write, such as `2026-11-25`.
"""

from __future__ import annotations

import math
from typing import Final, NoReturn

from softctl.machine import Point, Value
from softctl.values.dates import parse_date, show_date
from softctl.values.types import ElementaryType, Kind, round_to_real

NS_PER_S: Final = 1_000_000_000

Plain = bool | int | float | str | None
"""A value as JSON has it."""

_REAL_DIGITS: Final = (7, 8, 9)
"""Nine significant digits name every binary32; most need fewer."""


def plain_unit(point: Point) -> str:
    """The unit of what `to_plain` gives, empty for none."""
    return "s" if point.type.kind is Kind.DURATION else point.unit


def to_plain(value: Value, type_: ElementaryType) -> Plain:
    """A point's value as JSON has it."""
    kind = type_.kind
    if isinstance(value, bool | str):
        return value
    if kind is Kind.REAL:
        return _finite(float(value), type_)
    if kind is Kind.DURATION:
        return value / NS_PER_S
    if kind is Kind.DATE:
        return show_date(int(value), type_)
    return int(value)


def from_plain(plain: object, point: Point) -> Value:
    """The value that a client asks for, of the point's type; its range is not looked at.

    Raises ValueError with what was expected.
    """
    type_ = point.type
    kind = type_.kind
    if kind is Kind.BOOL:
        return plain if isinstance(plain, bool) else _refuse("true or false", plain)
    if kind is Kind.STRING:
        return plain if isinstance(plain, str) else _refuse("a text", plain)
    if kind is Kind.DATE:
        return parse_date(plain, type_) if isinstance(plain, str) else _refuse("a text", plain)
    if isinstance(plain, bool) or not isinstance(plain, int | float) or not _is_finite(plain):
        _refuse("a number of seconds" if kind is Kind.DURATION else "a number", plain)
    if kind is Kind.REAL:
        return round_to_real(plain) if type_.bits == 32 else float(plain)
    whole = round(plain * NS_PER_S) if kind is Kind.DURATION else plain
    if whole != int(whole):
        _refuse("a whole number", plain)
    if not type_.low <= whole <= type_.high:
        _refuse(f"a number from {type_.low} to {type_.high}", plain)
    return int(whole)


def _finite(value: float, type_: ElementaryType) -> float | None:
    if not math.isfinite(value):
        return None
    if type_.bits == 64:
        return value
    for digits in _REAL_DIGITS:
        short = float(f"{value:.{digits}g}")
        if round_to_real(short) == value:
            return short
    return value


def _is_finite(number: int | float) -> bool:
    try:
        return math.isfinite(number)
    except OverflowError:  # a whole number beyond binary64
        return False


def _refuse(expected: str, got: object) -> NoReturn:
    shown = "nothing" if got is None else repr(got) if len(repr(got)) <= 60 else "something else"
    raise ValueError(f"expected {expected}, got {shown}")
