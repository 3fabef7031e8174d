"""Values on their way to a viewer: rounded, and only those that changed.

A message is encoded once for all viewers, so nothing in it depends on who gets it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from typing import Any

DIGITS = 6
"""Significant digits of a number on the page."""

_ENCODER = json.JSONEncoder(separators=(",", ":"), allow_nan=False, ensure_ascii=False)


def to_json(message: Any) -> str:
    """Compact JSON; a number that is none, or infinite, has to be None by then."""
    return _ENCODER.encode(message)


def shown(value: Any) -> Any:
    """A value as it travels: numbers rounded, and null for what JSON has no word for."""
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") if math.isfinite(value) else None
    if isinstance(value, list | tuple):
        return [shown(one) for one in value]
    return value if isinstance(value, bool | int | str) else None


class Changes:
    """What the viewers know, and what of it is no longer true."""

    def __init__(self) -> None:
        self._raw: list[Any] = []
        self.shown: list[Any] = []

    def take(self, values: Iterable[Any]) -> list[Any]:
        """Take in all values; `[index, value, …]` of those that a viewer sees change."""
        raw = list(values)
        before, known = self._raw, self.shown
        changed: list[Any] = []
        self._raw = raw
        if raw == before and len(raw) == len(known):
            return changed
        known += [None] * (len(raw) - len(known))
        for index, value in enumerate(raw):
            if index < len(before) and value is before[index]:
                continue
            new = shown(value)
            if new != known[index] or type(new) is not type(known[index]):
                known[index] = new
                changed += (index, new)
        return changed

    def forget(self) -> None:
        """Begin anew, with other channels."""
        self._raw, self.shown = [], []


def full_message(at_s: float, values: Sequence[Any], *, is_wall: bool = False) -> str:
    """Every value, in the order of the channels; with `is_wall` the time is Unix time."""
    return to_json({"t": "full", **_moment(at_s, is_wall), "v": values})


def delta_message(at_s: float, changed: Sequence[Any], *, is_wall: bool = False) -> str:
    """Those that changed, each behind its index."""
    return to_json({"t": "delta", **_moment(at_s, is_wall), "v": changed})


def _moment(at_s: float, is_wall: bool) -> dict[str, float]:
    rounded = round(at_s, 3)
    return {"at": rounded, "wall": rounded} if is_wall else {"at": rounded}
