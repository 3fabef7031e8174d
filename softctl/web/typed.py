"""Values as people type them: `75 s`, `T#2s`, `TRUE`, `0.5 m`, `2026-12-01`."""

from __future__ import annotations

from softctl.errors import SoftctlError
from softctl.logic.literals import parse_value
from softctl.machine import Point, Value
from softctl.machine.read_values import read_value
from softctl.values.types import Kind

_TRUTH = {"TRUE": True, "FALSE": False, "1": True, "0": False, "ON": True, "OFF": False}


def typed_value(point: Point, value: Value) -> Value:
    """What a person typed for a point, in its type and unit; anything else as it is.

    Raises SoftctlError for a text that stands for no such value.
    """
    if not isinstance(value, str) or point.type.kind is Kind.STRING:
        return value
    word = value.strip()
    try:
        if point.type.kind is Kind.BOOL:
            return _TRUTH[word.upper()]
        if "#" in word:
            return parse_value(word)
        return read_value(_number(word), point.type, point.unit)
    except KeyError:
        raise SoftctlError(f"expected TRUE or FALSE for {point.name}, got {value}") from None
    except ValueError as error:
        raise SoftctlError(f"{error} ({point.name})") from None


def _number(word: str) -> object:
    """A bare number as a file would have it; else the text."""
    for read in (int, float):
        try:
            return read(word)
        except ValueError:
            continue
    return word
