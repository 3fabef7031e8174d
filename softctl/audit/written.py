"""What a client wrote, and what it may have meant.

Evidence for a wrong word order or type is a value that makes no sense as it was written and
would make sense in another order or as another type. So this is common practice, and a guess:
it names what to look at first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from softctl.audit.observe import WriteEvent
from softctl.audit.uses import Map, covers
from softctl.machine import Point
from softctl.values.registers import WordOrder, decode
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType, Kind

_MASK_WRITE = 22
ORDER, TYPE, RANGE = "word order", "wrong type", "out of range"

_SWAPPED = {
    WordOrder.ABCD: WordOrder.CDAB,
    WordOrder.CDAB: WordOrder.ABCD,
    WordOrder.BADC: WordOrder.DCBA,
    WordOrder.DCBA: WordOrder.BADC,
}
_REALS = {2: "REAL", 4: "LREAL"}
_WHOLES = {2: "DINT", 4: "LINT"}
_LEAST, _MOST = 1e-3, 1e6
_TINY = 1e-30
_SMALL = 65_536
_NS_PER_MS, _NS_PER_S = 1_000_000, 1_000_000_000


@dataclass(frozen=True, slots=True)
class Suspicion:
    """What is probably wrong with a written value, and what to do about it."""

    kind: str
    message: str
    advice: str


def bytes_of(map_: Map, point: Point, event: WriteEvent) -> bytes | None:
    """The bytes that a write gives a point: one for a bit, two for each register.

    None where the write does not hold all of it, or changes bits by masks.
    """
    span = map_.span(point)
    if event.function == _MASK_WRITE or not covers(event.span, span):
        return None
    width = 1 if span[0].is_bits else 2
    start = width * (span[1] - event.span[1])
    return event.data[start : start + width * span[2]]


def bit_of(map_: Map, point: Point, event: WriteEvent) -> bool | None:
    """What a write makes of a BOOL, alone or in a register; None if it leaves it alone."""
    place = map_.place(point)
    if not covers(event.span, map_.span(point)):
        return None
    if event.function == _MASK_WRITE:
        and_mask, or_mask = event.data[:2], event.data[2:]
        if place.bit is None or _bit(and_mask, place.bit):
            return None
        return _bit(or_mask, place.bit)
    raw = bytes_of(map_, point, event) or b"\0"
    return raw != b"\0" if place.bit is None else _bit(raw, place.bit)


def _bit(register: bytes, bit: int) -> bool:
    return bool(int.from_bytes(register) >> bit & 1)


def explain_refused(map_: Map, point: Point, event: WriteEvent) -> Suspicion:
    """Why a value was not taken: another order or type would fit, else it is out of range."""
    own, raw = map_.order(point), bytes_of(map_, point, event)
    if raw is not None and len(raw) > 2:
        for order in _other_orders(own):
            if _is_allowed(map_, point, _value(raw, map_.type(point), order)):
                return _order(point, own, f"and would in the order {order.value}")
        other = _other_type(map_.type(point), raw)
        meant = None if other is None else _value(raw, other, own)
        if other is not None and meant is not None and _is_meant(map_, point, meant):
            return _type(map_, point, other)
    limits = map_.limits(point)
    shown = f"{point.low} to {point.high} {point.unit}".rstrip() if limits else "what it holds"
    return Suspicion(
        RANGE,
        f"writes a value that {point.name} does not take",
        f"limit the entry to {shown} and check its type",
    )


def suspect_taken(map_: Map, point: Point, event: WriteEvent) -> Suspicion | None:
    """What is odd about a value that was taken; None for nothing."""
    raw = bytes_of(map_, point, event)
    if raw is None or len(raw) not in (4, 8):
        return None
    type_, own = map_.type(point), map_.order(point)
    value = _value(raw, type_, own)
    if value is None:
        return None
    if type_.kind is Kind.REAL:
        return _odd_real(map_, point, raw) if 0 < abs(value) < _TINY else None
    if type_.is_integer or type_.name == "TIME":
        return _odd_whole(map_, point, raw)
    return None


def _odd_real(map_: Map, point: Point, raw: bytes) -> Suspicion | None:
    """Nobody enters 1E-41: its words are swapped, or it is a whole number."""
    type_, own = map_.type(point), map_.order(point)
    whole = _other_type(type_, raw)
    if whole is None:
        return None
    swapped, *turned = _other_orders(own)
    if _is_plausible(_value(raw, type_, swapped)):
        return _order(point, own, f"and would in the order {swapped.value}")
    # The bytes of a small whole number, turned round, look like a real value too.
    if _is_plausible(_value(raw, whole, own)):
        return _type(map_, point, whole)
    for order in turned:
        if _is_plausible(_value(raw, type_, order)):
            return _order(point, own, f"and would in the order {order.value}")
    return None


def _odd_whole(map_: Map, point: Point, raw: bytes) -> Suspicion | None:
    """A multiple of 65536 that is a small number with its words swapped, or a real value."""
    own, plain = map_.order(point), ELEMENTARY_TYPES[_WHOLES[len(raw) // 2]]
    value, swapped = (_value(raw, plain, order) for order in (own, _SWAPPED[own]))
    if value is None or swapped is None or abs(value) < _SMALL:
        return None
    if value % _SMALL == 0 and 0 < swapped < _SMALL:
        return _order(point, own, f"and would be {swapped:g} in the order {_SWAPPED[own].value}")
    real = ELEMENTARY_TYPES[_REALS[len(raw) // 2]]
    meant = _value(raw, real, own)
    is_round = meant is not None and math.isfinite(meant) and (100 * meant).is_integer()
    return _type(map_, point, real) if is_round and _is_plausible(meant) else None


def _order(point: Point, own: WordOrder, why: str) -> Suspicion:
    return Suspicion(
        ORDER,
        f"writes a value that makes no sense for {point.name}, {why}",
        f"set the tag's word order to {own.value}",
    )


def _type(map_: Map, point: Point, other: ElementaryType) -> Suspicion:
    own = map_.type(point).name
    return Suspicion(
        TYPE,
        f"writes to {point.name}, which is {own}, what makes sense as {other.name}",
        f"set the tag's type to {own}",
    )


def _other_orders(own: WordOrder) -> Iterator[WordOrder]:
    """The most likely mistake first: the words swapped."""
    yield _SWAPPED[own]
    yield from (order for order in WordOrder if order not in (own, _SWAPPED[own]))


def _other_type(own: ElementaryType, raw: bytes) -> ElementaryType | None:
    """A whole number for a real one, and the other way round, of as many registers."""
    name = (_WHOLES if own.kind is Kind.REAL else _REALS).get(len(raw) // 2)
    return None if name is None else ELEMENTARY_TYPES[name]


def _value(raw: bytes, type_: ElementaryType, order: WordOrder) -> float | None:
    try:
        value = decode(raw, type_, order)
    except ValueError:
        return None
    return None if isinstance(value, str) else value


def _is_allowed(map_: Map, point: Point, value: float | None) -> bool:
    """Within the range; a tiny REAL is what the wrong order makes of a count: no evidence."""
    limits = map_.limits(point)
    if value is None or limits is None:
        return False
    is_odd = isinstance(value, float) and value != 0 and abs(value) < 1e-6
    return limits[0] <= value <= limits[1] and not is_odd


def _is_meant(map_: Map, point: Point, value: float) -> bool:
    """Whether the number would do: for a TIME, as milliseconds or as seconds."""
    scales = (_NS_PER_MS, _NS_PER_S) if map_.type(point).name == "TIME" else (1,)
    return any(_is_allowed(map_, point, value * scale) for scale in scales)


def _is_plausible(value: float | None) -> bool:
    """What a person enters: neither huge nor next to nothing."""
    return value is not None and _LEAST <= abs(value) <= _MOST
