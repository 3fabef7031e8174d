"""Cells of what has no body to look into: manifolds, and where liquid comes from or goes to."""

from __future__ import annotations

from collections.abc import Sequence

from softctl.picture.boxes import SMALL, Box, text_width
from softctl.picture.nozzles import Fitted, Nozzle, on_the_sides, rows_of
from softctl.picture.signals import Signals, species_in, temperature_of
from softctl.picture.sketch import BUBBLE, LABEL_H, Bubble, Item, Sketch, bubble
from softctl.plant.wiring import Piece


def manifold_sketch(
    signals: Signals, piece: Piece, fitted: Fitted, nozzles: Sequence[Nozzle]
) -> Sketch:
    """A thick bar that lines meet at."""
    sketch = Sketch(piece.name)
    rows = rows_of(nozzles)
    bubbles = [bubble(signals, one) for one in fitted.instruments]
    top = LABEL_H + 6.0 + (Bubble.high_h + 6.0 if bubbles else 0.0)
    widths = [one.high_w for one in bubbles]
    sketch.w = max(text_width(piece.name), sum(widths) + 8.0 * len(widths), 30.0)
    middle = sketch.w / 2
    body = Box(middle - 5.0, top, 10.0, rows * 30.0 + 10.0)
    sketch.label(piece.name, middle, 0.0, "middle")
    x = middle - (sum(widths) + 8.0 * (len(widths) - 1)) / 2
    for one in bubbles:
        at = x + one.high_w / 2
        path = [(at, LABEL_H + Bubble.high_h), (at, top + 4.0), (middle, top + 4.0)]
        sketch.add("instruments", one.above(at, LABEL_H, path))
        x += one.high_w + 8.0
    on_the_sides(sketch, body, nozzles)
    sketch.add("vessels", _plain(signals, piece, body, "manifold"))
    sketch.h = body.bottom + 2.0
    return sketch


def end_sketch(signals: Signals, piece: Piece, fitted: Fitted, nozzles: Sequence[Nozzle]) -> Sketch:
    """Where liquid leaves the picture, or comes from."""
    sketch = Sketch(piece.name)
    flow = signals.of(piece, "flow")
    width = max(text_width(piece.name), text_width("8888.8 L/min", SMALL) if flow else 0.0, 54.0)
    sketch.w = width
    body = Box(width / 2 - 27.0, 4.0, 54.0, max(36.0, rows_of(nozzles) * 22.0))
    on_the_sides(sketch, body, nozzles)
    sketch.add("vessels", _plain(signals, piece, body, piece.block.name.lower()))
    y = body.bottom + 2.0
    sketch.label(piece.name, width / 2, y, "middle")
    y += LABEL_H
    if flow:
        sketch.label(
            "", width / 2, y, "middle", kind="flow", width=width, channel=flow, unit="m3/s"
        )
        y += LABEL_H
    bubbles = [bubble(signals, one) for one in fitted.instruments]
    for one in bubbles:
        sketch.w = max(sketch.w, one.wide_w)
        path = [(BUBBLE / 2, y + 4.0), (BUBBLE / 2, y)]
        sketch.add("instruments", one.beside(0.0, y + 4.0, path))
        y += BUBBLE + 8.0
    sketch.h = y
    return sketch


def _plain(signals: Signals, piece: Piece, body: Box, shape: str) -> Item:
    return {
        "name": piece.name,
        "type": piece.block.name,
        **body.fields(),
        "shape": shape,
        "level": None,
        "full": None,
        "temperature": temperature_of(signals, piece),
        "species": species_in(signals, piece),
        "points": signals.points(piece),
    }
