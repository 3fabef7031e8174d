"""What is drawn in one cell, in the cell's own coordinates, until the cell has its place."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import ceil
from typing import Any

from softctl.picture.boxes import SMALL, TEXT, Box, text_width, tidy
from softctl.picture.layers import Point
from softctl.picture.signals import Signals
from softctl.plant.wiring import Piece

BUBBLE = 34.0
LABEL_H = 15.0
_READING_H = 13.0
_GAP = 4.0
_TAG = re.compile(r"([A-Za-z]+)[_-]?(.*)")
_WIDEST_NUMBER = "-8888.8"
_WIDEST_WORD = "off"

Item = dict[str, Any]


@dataclass(slots=True)
class Sketch:
    """Items by the list of the picture that they belong to; `inner` are the lines inside.

    An inner line runs from the cell's left or right edge (x is 0 or w) to the symbol; the
    height of its first point is that of the port of the same name.
    """

    name: str
    w: float = 0.0
    h: float = 0.0
    items: list[tuple[str, Item]] = field(default_factory=list)
    inner: dict[str, list[Point]] = field(default_factory=dict)

    def add(self, kind: str, item: Item) -> None:
        """Put an item of a list (vessels, machines, labels…) into the cell."""
        self.items.append((kind, item))

    def label(
        self,
        text: str,
        x: float,
        y: float,
        anchor: str = "start",
        *,
        kind: str = "name",
        of: str = "",
        width: float = 0.0,
        **more: Any,
    ) -> Box:
        """Put a text there; `x` is its start, its middle or its end, as `anchor` says."""
        width = width or text_width(text, TEXT if kind == "name" else SMALL)
        left = {"start": x, "middle": x - width / 2, "end": x - width}[anchor]
        box = Box(left, y, width, LABEL_H)
        item = {"text": text, **box.fields(), "anchor": anchor, "of": of or self.name}
        self.add("labels", {**item, "kind": kind, **more})
        return box

    def ports(self) -> dict[str, float]:
        """The heights of its ports."""
        return {name: path[0][1] for name, path in self.inner.items()}

    def settle(self) -> None:
        """Whole numbers for all ends of lines, so that lines meet without a jog."""
        self.w, self.h = float(ceil(self.w)), float(ceil(self.h))
        self.inner = {name: list(self._settled(path)) for name, path in self.inner.items()}

    def _settled(self, path: list[Point]) -> Iterable[Point]:
        is_left = path[0][0] == 0.0
        yield 0.0 if is_left else self.w, float(round(path[0][1]))
        yield from ((float(round(x)), float(round(y))) for x, y in path[1:])

    def shift(self, dx: float, dy: float) -> None:
        """Move everything inside the cell."""
        self.items = [(kind, moved(item, dx, dy)) for kind, item in self.items]
        self.inner = {
            name: [(x + dx, y + dy) for x, y in path] for name, path in self.inner.items()
        }


def moved(item: Mapping[str, Any], dx: float, dy: float) -> Item:
    """An item, with all that has a place in it, moved."""
    return {key: _moved(key, value, dx, dy) for key, value in item.items()}


def _moved(key: str, value: Any, dx: float, dy: float) -> Any:
    if key == "x":
        return tidy(value + dx)
    if key == "y":
        return tidy(value + dy)
    if key == "path":
        return [[tidy(x + dx), tidy(y + dy)] for x, y in value]
    if isinstance(value, dict):
        return moved(value, dx, dy)
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return [moved(one, dx, dy) for one in value]
    return value


def boxes_of(item: Mapping[str, Any]) -> Iterable[Box]:
    """The box of an item and those of what is in it."""
    if "w" in item and "x" in item:
        yield Box(item["x"], item["y"], item["w"], item["h"])
    for value in item.values():
        if isinstance(value, dict):
            yield from boxes_of(value)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for one in value:
                yield from boxes_of(one)


@dataclass(frozen=True, slots=True)
class Bubble:
    """An instrument: its tag in a circle, and its reading beside or below."""

    piece: Piece
    channel: str | None
    unit: str
    is_bool: bool

    @property
    def reading_w(self) -> float:
        """How wide the reading can be."""
        widest = _WIDEST_WORD if self.is_bool else f"{_WIDEST_NUMBER} {self.unit}"
        return text_width(widest, SMALL)

    @property
    def wide_w(self) -> float:
        """Its width with the reading beside."""
        return BUBBLE + _GAP + self.reading_w

    @property
    def high_w(self) -> float:
        """Its width with the reading below."""
        return max(BUBBLE, self.reading_w)

    high_h = BUBBLE + _READING_H

    def beside(self, x: float, y: float, path: list[Point]) -> Item:
        """With the reading to the right; `x`, `y` are the circle's corner."""
        box = Box(x + BUBBLE + _GAP, y + (BUBBLE - _READING_H) / 2, self.reading_w, _READING_H)
        return self._item(Box(x, y, BUBBLE, BUBBLE), box, "start", path)

    def above(self, middle: float, y: float, path: list[Point]) -> Item:
        """With the reading below the circle; `y` is the circle's top."""
        width = self.reading_w
        box = Box(middle - width / 2, y + BUBBLE, width, _READING_H)
        return self._item(Box(middle - BUBBLE / 2, y, BUBBLE, BUBBLE), box, "middle", path)

    def _item(self, circle: Box, reading: Box, anchor: str, path: list[Point]) -> Item:
        letters, loop = tag_parts(self.piece.name)
        return {
            "name": self.piece.name,
            "type": self.piece.block.name,
            **circle.fields(),
            "letters": letters,
            "loop": loop,
            "value": self.channel,
            "unit": self.unit,
            "reading": {**reading.fields(), "anchor": anchor},
            "path": [list(point) for point in path],
            "to": list(path[-1]),
        }


def tag_parts(name: str) -> tuple[str, str]:
    """A tag's letters and its loop number: `LT_101` is LT and 101."""
    match = _TAG.fullmatch(name)
    return (match[1], match[2]) if match else (name, "")


def bubble(signals: Signals, piece: Piece) -> Bubble:
    """An instrument with the value that it gives: as the controller sees it, where it does."""
    outputs = [*_first(piece, "signal", "contact", "counted"), *piece.block.outputs]
    point = signals.point(piece, *outputs)
    if point is not None:
        is_bool = point.type.name == "BOOL"
        return Bubble(piece, f"point:{point.name}", point.unit, is_bool)
    port = piece.block.outputs[outputs[0]] if outputs else None
    unit = (port.unit or "") if port else ""
    is_bool = port is not None and port.type == "BOOL"
    return Bubble(piece, signals.of(piece, *outputs[:1]), unit, is_bool)


def _first(piece: Piece, *names: str) -> list[str]:
    return [name for name in names if name in piece.block.outputs]
