"""Cells of what stands in a line: one symbol, or several in series along the pipe."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from softctl.picture.boxes import Box, text_width
from softctl.picture.layers import Point
from softctl.picture.nozzles import Fitted
from softctl.picture.signals import Signals
from softctl.picture.sketch import LABEL_H, Bubble, Item, Sketch, bubble
from softctl.picture.symbols import SIZE, driver, label_width, machine_item, named
from softctl.plant.wiring import Piece

_SPACE = 16.0
_STEM = 10.0
_VALVE_H = 22.0
_MOTOR = 20.0
IN, OUT = "in", "out"


def run_sketch(signals: Signals, piece: Piece, fitted: Fitted, backwards: bool) -> Sketch:
    """The cell of a line; `backwards` where it flows to the left.

    Instruments stand above the pipe, names and states below the symbols.
    """
    sketch = Sketch(piece.name)
    symbols = _in_series(piece, fitted)
    parts: list[Item | str] = [
        machine_item(signals, one, Box(0.0, 0.0, SIZE, SIZE), backwards) for one in symbols
    ]
    if piece.block.name.lower() == "line":
        parts.insert(0, piece.name)
    if backwards:
        parts.reverse()
    bubbles = [bubble(signals, one) for one in fitted.instruments]
    top = Bubble.high_h + _STEM if bubbles else 0.0
    if any(driver(one) for one in symbols):
        top += _MOTOR + 4.0
    axis = top + SIZE / 2
    widths = [_width(part) for part in parts]
    inside = max(_total(widths), _total([one.high_w for one in bubbles]))
    sketch.w, sketch.h = inside + 8.0, axis + SIZE / 2 + 2 * LABEL_H
    x = (sketch.w - _total(widths)) / 2
    stops: list[tuple[float, float]] = []
    for part, width in zip(parts, widths, strict=True):
        if isinstance(part, str):
            sketch.label(part, x + width / 2, axis + 4.0, "middle", kind="pipe")
        else:
            stops.append(_put(sketch, part, x + width / 2, axis))
        x += width + _SPACE
    _bubbles(sketch, bubbles, axis)
    _pipes(sketch, stops, axis, backwards)
    return sketch


def _width(part: Item | str) -> float:
    """Of a symbol with what is under it, or of the pipe's own name."""
    return text_width(part) + 6.0 if isinstance(part, str) else max(label_width(part), SIZE)


def _total(widths: Sequence[float]) -> float:
    return sum(widths) + _SPACE * max(len(widths) - 1, 0)


def _in_series(piece: Piece, fitted: Fitted) -> list[Piece]:
    """The line's own symbol, or those of what names it: pumps first, then valves."""
    if piece.block.name.lower() == "line":
        pumps = [one for one in fitted.machines if "pump" in one.block.name.lower()]
        return pumps + [one for one in fitted.machines if one not in pumps]
    return [piece, *fitted.machines]


def _put(sketch: Sketch, item: Item, middle: float, axis: float) -> tuple[float, float]:
    """A symbol on the pipe; where the pipe ends and goes on."""
    height = _VALVE_H if "valve" in item["symbol"] else SIZE
    item |= Box(middle - SIZE / 2, axis - height / 2, SIZE, height).fields()
    if item["driver"]:
        motor = Box(middle - _MOTOR / 2, axis - height / 2 - _MOTOR - 4.0, _MOTOR, _MOTOR)
        item["motor"] = motor.fields()
    named(sketch, item, middle, axis + SIZE / 2 + 1.0)
    return middle - SIZE / 2, middle + SIZE / 2


def _bubbles(sketch: Sketch, bubbles: Sequence[Bubble], axis: float) -> None:
    """Instruments in a row above the pipe, each with its tap."""
    x = (sketch.w - _total([one.high_w for one in bubbles])) / 2
    for one in bubbles:
        middle = round(x + one.high_w / 2, 1)
        foot = axis - SIZE / 2
        path: list[Point] = [(middle, Bubble.high_h), (middle, foot)]
        sketch.add("instruments", one.above(middle, 0.0, path))
        x += one.high_w + _SPACE


def _pipes(
    sketch: Sketch, stops: Sequence[tuple[float, float]], axis: float, backwards: bool
) -> None:
    """The pipe through the cell, in pieces between the symbols."""
    first = stops[0][0] if stops else sketch.w / 2
    last = stops[-1][1] if stops else sketch.w / 2
    left, right = [(0.0, axis), (first, axis)], [(sketch.w, axis), (last, axis)]
    sketch.inner[OUT if backwards else IN] = left
    sketch.inner[IN if backwards else OUT] = right
    for (_, a), (b, _) in pairwise(stops):
        ends = [[b, axis], [a, axis]] if backwards else [[a, axis], [b, axis]]
        sketch.add("lines", {"from": sketch.name, "to": sketch.name, "path": ends})
