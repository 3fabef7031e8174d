"""How a point looks on the HMI map: its own word order, counts, or a bit among others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from softctl.machine.document import describe
from softctl.machine.model import Point, Scale
from softctl.machine.reader import Named, Reader
from softctl.machine.sections import (
    CommandSection,
    FieldPointSection,
    ScaleSection,
    SetpointSection,
    StateSection,
)
from softctl.values.registers import WordOrder, register_count
from softctl.values.texts import is_character
from softctl.values.types import Kind

HmiSection = FieldPointSection | CommandSection | SetpointSection | StateSection

_TEXT_ORDERS = (WordOrder.ABCD, WordOrder.BADC)


def read_hmi_keys(reader: Reader, named: Named, section: HmiSection, point: Point) -> Point | None:
    """The point with what its section says about the HMI map, or None after complaints."""
    scale = None if isinstance(section, CommandSection) else section.scale
    order = None if isinstance(section, CommandSection) else section.word_order
    shown = replace(
        point,
        scale=None if scale is None else Scale(scale.type, scale.raw),
        word_order=order,
        in_register=section.in_register or "",
        refresh_ns=section.refresh,
    )
    wrong = [
        *_suitable(named, section, point),
        *_wrong_scale(scale, point),
        *_wrong_order(shown),
        *_wrong_bit(section),
    ]
    for key, expected in wrong:
        got = describe(named.raw(key)) if key in named.entry.keys else "none"
        reader.complain(f"expected {expected}, got {got}", named.where(key))
    return None if wrong else shown


Wrong = Iterator[tuple[str, str]]
"""Keys and what was expected of them."""


def _suitable(named: Named, section: HmiSection, point: Point) -> Wrong:
    """Keys that do not go with the point's type, or that speak of a point nobody sees."""
    is_real = point.type.kind is Kind.REAL
    suits = {
        "scale": is_real,
        "in_register": point.type.kind is Kind.BOOL,
        "bit": point.type.kind is Kind.BOOL,
        "word_order": point.type.kind is not Kind.BOOL,
        "refresh": True,
    }
    is_hidden = isinstance(section, FieldPointSection) and not section.hmi
    for key in (key for key in suits if key in named.entry.keys):
        if is_hidden:
            yield key, f"no '{key}' beside 'hmi: false'"
        elif not suits[key]:
            yield key, f"no '{key}' beside the type {point.type.name}"


def _wrong_scale(scale: ScaleSection | None, point: Point) -> Wrong:
    if scale is None or point.type.kind is not Kind.REAL:
        return
    if point.low is None:
        yield "range", f"the key 'range' (the values at the ends of the counts) in {point.name}"
    low, high = scale.type.low, scale.type.high
    if not all(low <= raw <= high for raw in scale.raw):
        yield "scale", f"counts from {low} to {high}, as {scale.type.name} has them, in 'raw'"


def _wrong_order(point: Point) -> Wrong:
    if point.word_order is None or point.type.kind is Kind.BOOL:
        return
    if point.type.kind is Kind.STRING and not is_character(point.type):
        if point.word_order not in _TEXT_ORDERS:
            yield "word_order", "ABCD (high byte first) or BADC (low byte first) for a text"
    elif register_count(point.hmi_type) == 1:
        yield "word_order", f"no 'word_order', since {point.hmi_type.name} fits one register"


def _wrong_bit(section: HmiSection) -> Wrong:
    if section.bit is not None and section.in_register is None:
        yield "bit", "'in_register' with the name of a register beside 'bit'"
