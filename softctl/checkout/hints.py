"""What a wrong number looks like: another word order, a factor, a sign, another point."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from softctl.checkout.judge import is_near
from softctl.image.cells import hmi_scaling
from softctl.machine import Machine, Point, Value
from softctl.values.registers import RegisterValue, WordOrder, decode, encode
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType, Kind

_FACTORS = (10, 100, 1_000, 0.1, 0.01, 0.001)
_NEAR = 0.01
_TINY = 1e-30
_FINE_ENOUGH = 2
"""A display that shows a value in so few of its last digits says nothing about a reason."""

_FULL_SCALES = (1_000, 4_000, 4_095, 10_000, 16_383, 32_000, 32_767, 65_535)
"""Counts that often stand for the end of a range (common practice)."""

_OTHER_SIGN = {"INT": "UINT", "UINT": "INT", "DINT": "UDINT", "UDINT": "DINT"}


def explain(
    machine: Machine,
    point: Point,
    wanted: Value,
    got: Value,
    *,
    around: Mapping[str, Value] | None = None,
    digit: float = 0.0,
) -> str:
    """The likeliest reason for a wrong value, as a clause; empty if there is none.

    `around` are the values of all points at that time, `digit` is one more of the last digit
    that was shown.
    """
    if isinstance(got, bool) or isinstance(wanted, bool):
        return "the opposite" if isinstance(got, bool) and got is not wanted else ""
    if isinstance(got, str) or isinstance(wanted, str):
        return _text_reason(point, wanted, got)
    if point.type.kind not in (Kind.REAL, Kind.DURATION):
        digit = 0.0  # whole numbers are shown whole
    misread = list(_wire_reasons(machine, point, wanted))
    for value, reason in (*misread, *_plain_reasons(point, wanted)):
        if _is_like(value, got, digit) and not is_near(point, wanted, value, _NEAR):
            return reason
    if got == 0 and any(0 < abs(value) < max(_TINY, digit) for value, _ in misread):
        return "nothing arrives, or its registers are read in another order"
    return _other_point(point, got, around or {})


def _plain_reasons(point: Point, wanted: int | float) -> Iterator[tuple[float, str]]:
    """Mistakes of scaling."""
    yield -float(wanted), "its sign is the other way round"
    for factor in _FACTORS:
        words = f"{factor:g} times too high" if factor > 1 else f"{1 / factor:g} times too low"
        yield wanted * factor, f"it is {words}"
    if point.low is not None and point.high is not None:
        span = float(point.high - point.low)
        yield 100 * (wanted - point.low) / span, "it is in per cent of the range"
        yield wanted - point.low, "the beginning of the range is left out"
        yield float(point.high + point.low - wanted), "the range is upside down"


def _wire_reasons(
    machine: Machine, point: Point, wanted: int | float
) -> Iterator[tuple[float, str]]:
    """Mistakes in reading the registers, by making them."""
    scaling, type_ = hmi_scaling(point), point.hmi_type
    counts = wanted if scaling is None else scaling.to_raw(float(wanted))
    order = machine.hmi_order(point)
    try:
        raw = encode(counts, type_, order)
    except ValueError:
        return
    if scaling is not None:
        yield counts, "it is the raw counts, not scaled"
        yield from _other_full_scales(point, wanted)
    back: Any = float if scaling is None else scaling.from_raw
    for value, reason in _misread(raw, type_, order):
        yield back(value), reason
        if scaling is not None:
            yield float(value), reason


def _other_full_scales(point: Point, wanted: int | float) -> Iterator[tuple[float, str]]:
    assert point.scale is not None
    assert point.low is not None
    low, high = point.scale.raw
    for counts in _FULL_SCALES:
        value = point.low + (wanted - point.low) * (high - low) / counts
        yield value, f"it is scaled as if {counts} counts were the whole range"


def _misread(raw: bytes, type_: ElementaryType, order: WordOrder) -> Iterator[tuple[float, str]]:
    for other in WordOrder:
        if len(raw) > 2 and other is not order:
            yield from _decoded(
                raw, type_, other, f"its registers are read in the order {other.name}"
            )
    signed = _OTHER_SIGN.get(type_.name)
    if signed is not None:
        yield from _decoded(raw, ELEMENTARY_TYPES[signed], order, f"it is read as {signed}")
    if len(raw) > 2:
        uint = ELEMENTARY_TYPES["UINT"]
        for place, start in (("first", 0), ("second", 2)):
            piece = raw[start : start + 2]
            yield from _decoded(piece, uint, order, f"only its {place} register is read")
    if type_.kind is Kind.REAL and len(raw) == 4:
        whole = ELEMENTARY_TYPES["DINT"]
        yield from _decoded(raw, whole, order, "its REAL is read as a whole number")
    if type_.kind is not Kind.REAL and len(raw) == 4:
        real = ELEMENTARY_TYPES["REAL"]
        yield from _decoded(raw, real, order, "its whole number is read as a REAL")


def _decoded(
    raw: bytes, type_: ElementaryType, order: WordOrder, reason: str
) -> Iterator[tuple[float, str]]:
    try:
        value: RegisterValue = decode(raw, type_, order)
    except ValueError:
        return
    if not isinstance(value, str) and value == value:
        yield float(value), reason


def _is_like(value: float, got: int | float, digit: float) -> bool:
    is_told = abs(value) > _FINE_ENOUGH * digit
    return is_told and abs(value - got) <= max(_NEAR * abs(value), digit)


def _other_point(point: Point, got: int | float, around: Mapping[str, Value]) -> str:
    """A point that has just this value, if it is only one."""
    found = [
        name
        for name, value in around.items()
        if name != point.name
        and got != 0
        and not isinstance(value, bool | str)
        and abs(value - got) <= 1e-3 * abs(got)
    ]
    return f"it is the value of {found[0]}" if len(found) == 1 else ""


def _text_reason(point: Point, wanted: Value, got: Value) -> str:
    if not isinstance(got, str) or not isinstance(wanted, str):
        return ""
    swapped = "".join(b + a for a, b in zip(wanted[::2], wanted[1::2] + " ", strict=False))
    if got.rstrip() == swapped.rstrip():
        return "the two characters of each register are swapped"
    if got and wanted.startswith(got):
        return f"it is cut off after {len(got)} characters"
    return "the letters are the same in capitals" if got.upper() == wanted.upper() else ""
