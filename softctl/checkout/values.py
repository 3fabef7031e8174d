"""Which values tell a screen that is right from one that is wrong.

A number with a range is put at its ends and quarters, and at one odd value that no other
scaling, word order or neighbour would show by chance. One without a range gets values whose
words differ, and whose sign shows where the type has one.
"""

from __future__ import annotations

from collections.abc import Iterator

from softctl.machine import Point, Role, Value
from softctl.values.texts import is_character, text_length
from softctl.values.types import ElementaryType, Kind, round_to_real

SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
ODD_SHARE = 0.373
_S = 1_000_000_000
_DAY = 86_400 * _S
_ODD_DIGITS = 4

_BY_BITS = {8: 105, 16: 1_234, 32: 305_419, 64: 4_295_301_977}
"""Below the sign bit, with words and bytes that all differ."""
_TOP_BIT = {8: 217, 16: 54_321}
"""Of unsigned types: these show as negative where the sign is wrong."""
_DATES = {
    "DATE": (20_531 * _DAY, 21_861 * _DAY),
    "TOD": (49_645 * _S, 15_011 * _S),
    "DT": (20_531 * _DAY + 49_645 * _S, 21_861 * _DAY + 15_011 * _S),
}
_TEXT = "Pump 7b, north: ABCDEFGHIJKLMNOPQRSTUVWXYZ 0123456789 "


def check_values(point: Point) -> Iterator[tuple[str, Value]]:
    """The values to put into a point, each with the name that its step has behind the colon."""
    kind = point.type.kind
    if kind is Kind.BOOL:
        yield from (("on", True), ("off", False))
    elif kind is Kind.STRING:
        yield from _texts(point.type)
    elif point.low is not None and point.high is not None:
        yield from _within(point, point.low, point.high)
    elif kind is Kind.DATE:
        first, other = _DATES[point.type.name.removeprefix("L")]
        yield from (("odd", first), ("other", other))
    elif kind is Kind.DURATION:
        yield from (("0", 0), ("odd", 3_723 * _S))
    elif kind is Kind.REAL:
        yield from (("0", 0.0), ("odd", 1_234.5), ("negative", -56.75))
    else:
        values = list(_whole(point.type))
        # The controller's own figures never come near the sign bit.
        yield from values[:2] if point.role is Role.SYSTEM else values


def entry_values(point: Point) -> Iterator[tuple[str, Value]]:
    """The values that somebody is to enter into a set point."""
    if point.type.kind is Kind.BOOL:
        yield from (("enter-on", True), ("enter-off", False))
        return
    wanted = ("odd", "75%") if point.low is not None else ("odd", "negative", "other")
    values = dict(check_values(point))
    found = {name: values[name] for name in wanted if name in values}
    yield from ((f"enter-{name}", value) for name, value in found.items())


def rest_value(point: Point) -> Value:
    """What a point holds while another one is looked at."""
    value = point.initial
    if isinstance(value, str) or point.low is None or point.high is None:
        return value
    return min(max(value, point.low), point.high)


def _within(point: Point, low: int | float, high: int | float) -> Iterator[tuple[str, Value]]:
    """The ends, the quarters and the odd value of a range; equal ones once."""
    found: dict[Value, float] = {}
    for share in sorted(SHARES, key=lambda one: one not in (0, 1)):
        found.setdefault(_share(point, low, high, share), share)
    for value, share in sorted(found.items(), key=lambda one: one[1]):
        yield f"{100 * share:g}%", value
    odd = _odd(point, low, high)
    if odd not in found:
        yield "odd", odd


def _odd(point: Point, low: int | float, high: int | float) -> Value:
    value = _share(point, low, high, ODD_SHARE)
    if point.type.kind is not Kind.REAL or isinstance(value, str):
        return value
    rounded = float(f"{value:.{_ODD_DIGITS}g}")
    return min(max(rounded, float(low)), float(high))


def _share(point: Point, low: int | float, high: int | float, share: float) -> Value:
    """The value at a share of the range."""
    kind = point.type.kind
    if kind is Kind.REAL:
        value = low + share * (high - low)
        return round_to_real(value) if point.type.bits == 32 else float(value)
    step = 1
    if kind in (Kind.DURATION, Kind.DATE):
        step = _step(int(high) - int(low), point.type)
    value = int(low) + round(share * (int(high) - int(low)) / step) * step
    return min(value, int(high))


def _step(span: int, type_: ElementaryType) -> int:
    """Times are asked for in round figures: a day, a second or a millisecond."""
    if type_.name in ("DATE", "LDATE"):
        return _DAY
    return _S if span >= 20 * _S else _S // 1_000


def _whole(type_: ElementaryType) -> Iterator[tuple[str, Value]]:
    value = _BY_BITS[type_.bits]
    yield from (("0", 0), ("odd", value))
    if type_.kind is Kind.SIGNED:
        yield "negative", -value
    elif type_.bits in _TOP_BIT:
        yield "high", _TOP_BIT[type_.bits]


def _texts(type_: ElementaryType) -> Iterator[tuple[str, Value]]:
    if is_character(type_):
        yield from (("odd", "K"), ("other", "x"))
        return
    length = text_length(type_)
    yield "odd", _TEXT[: min(length, 7)].rstrip()
    if length > 7:
        whole = (_TEXT * (1 + length // len(_TEXT)))[:length]
        yield "full", whole[:-1] + "." if whole.endswith(" ") else whole
