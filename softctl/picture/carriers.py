"""Cells of what carries parts: belts with eyes and tools, tables, sources and bins."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from softctl.picture.boxes import SMALL, Box, kept_within, spread, text_width
from softctl.picture.layers import straightened
from softctl.picture.nozzles import Fitted, Nozzle, on_the_sides
from softctl.picture.signals import Signals, figure
from softctl.picture.sketch import LABEL_H, Bubble, Item, Sketch, bubble
from softctl.picture.symbols import SIZE, driver, label_width, machine_item, named, named_beside
from softctl.plant.wiring import Piece

_BELT_H = 14.0
_PARTS_H = 30.0
_PX_PER_M = 74.0
_LEAST_W, _MOST_W = 130.0, 340.0
_GAP = 10.0
_STEM = 8.0
_LANE = 16.0
_STEP = 4.0


def carrier_sketch(
    signals: Signals, piece: Piece, fitted: Fitted, nozzles: Sequence[Nozzle]
) -> Sketch:
    """The cell of any carrier; nozzles of tools are named by the tool."""
    if piece.block.outputs.get("room") and figure(piece, "length"):
        return _Belt(signals, piece, fitted, nozzles).sketch
    return _station(signals, piece, fitted, nozzles)


class _Belt:
    """A belt from the side: instruments above the parts, drive and tools below the belt."""

    def __init__(
        self, signals: Signals, piece: Piece, fitted: Fitted, nozzles: Sequence[Nozzle]
    ) -> None:
        self.signals, self.piece, self.nozzles = signals, piece, nozzles
        self.sketch = Sketch(piece.name)
        self.length_m = figure(piece, "length") or 1.0
        self.bubbles = sorted(
            (bubble(signals, one) for one in fitted.instruments), key=lambda one: _place(one.piece)
        )
        self.tools = sorted(fitted.machines, key=_place)
        tags = [one.high_w for one in self.bubbles]
        self.items = [machine_item(signals, one, Box(0, 0, SIZE, SIZE)) for one in self.tools]
        self.drive = machine_item(signals, piece, Box(0, 0, 26.0, 26.0))
        below = [SIZE + 5.0 + label_width(item) for item in self.items]
        drive_w = 26.0 + 5.0 + max(label_width(self.drive), 20.0)
        width = max(
            min(max(self.length_m * _PX_PER_M, _LEAST_W), _MOST_W),
            sum(tags) + _GAP * len(tags),
            drive_w + sum(below) + _GAP * (len(below) + 1),
        )
        self.sketch.w = round(width)
        top = Bubble.high_h + _STEP * (len(tags) + 1) if tags else 0.0
        self.belt = Box(0.0, top + _PARTS_H, self.sketch.w, _BELT_H)
        self._draw(below, drive_w)

    def _x(self, piece: Piece) -> float:
        share = min(_place(piece) / self.length_m, 1.0)
        return self.belt.x + share * self.belt.w

    def _draw(self, below: Sequence[float], drive_w: float) -> None:
        sketch, belt = self.sketch, self.belt
        self._eyes()
        sketch.add("carriers", _carrier(self.signals, self.piece, belt, "belt", self.length_m))
        self._ways()
        row = belt.bottom + 6.0
        self.drive |= Box(2.0, row, 26.0, 26.0).fields()
        self.drive |= {"symbol": "motor" if self.drive["driver"] else "machine"}
        named_beside(sketch, self.drive, 33.0, row - 2.0)
        wanted = [max(self._x(one) - SIZE / 2, drive_w + _GAP) for one in self.tools]
        gaps = [width + _GAP for width in below]
        last = sketch.w - (below[-1] if below else 0.0)
        places = kept_within(spread(wanted, gaps), gaps, drive_w + _GAP, last)
        lane = row + SIZE + 10.0
        for item, tool, x in zip(self.items, self.tools, places, strict=True):
            item |= Box(x, row, SIZE, SIZE).fields()
            item["at"] = {"x": self._x(tool), "y": belt.y - _PARTS_H / 2, "w": 0.0, "h": 0.0}
            named_beside(sketch, item, x + SIZE + 5.0, row - 1.0)
            for one in self.nozzles:
                if one.name == f"{tool.name}>":
                    edge = 0.0 if one.is_left else sketch.w
                    foot = x + SIZE / 2
                    sketch.inner[one.name] = [(edge, lane), (foot, lane), (foot, row + SIZE)]
                    lane += _LANE
        sketch.h = max(lane - _LANE / 2, row + 2 * LABEL_H) + 2.0

    def _ways(self) -> None:
        """Where parts come and go: at the height of the belt, one above the other."""
        tools = {tool.name for tool in self.tools}
        ends = [one for one in self.nozzles if one.name.partition(">")[0] not in tools]
        for is_left in (True, False):
            ones = [one for one in ends if one.is_left is is_left]
            for place, one in enumerate(ones):
                y = self.belt.y + _BELT_H / 2 - place * 9.0
                x = 0.0 if is_left else self.sketch.w
                self.sketch.inner[one.name] = [(x, y), (x, y)]

    def _eyes(self) -> None:
        wanted = [self._x(one.piece) for one in self.bubbles]
        gaps = [(a.high_w + b.high_w) / 2 + _GAP for a, b in pairwise(self.bubbles)]
        first, end = (self.bubbles[i].high_w / 2 if self.bubbles else 0.0 for i in (0, -1))
        middles = kept_within(spread(wanted, gaps), gaps, first, self.sketch.w - end)
        last = len(middles) - 1
        for place, (one, middle, x) in enumerate(zip(self.bubbles, middles, wanted, strict=True)):
            # Taps that lead to the left are lower the further right they are, so none cross.
            level = Bubble.high_h + _STEP * (1 + (place if x < middle else last - place))
            path = [(middle, Bubble.high_h), (middle, level), (x, level), (x, self.belt.y)]
            self.sketch.add("instruments", one.above(middle, 0.0, straightened(path)))


def _place(piece: Piece) -> float:
    return figure(piece, "position") or 0.0


def _station(signals: Signals, piece: Piece, fitted: Fitted, nozzles: Sequence[Nozzle]) -> Sketch:
    """A source, a bin, a table or a carrier of a folder's own: a body with its counts below."""
    sketch = Sketch(piece.name)
    kind = piece.block.name.lower()
    size = 92.0 if kind == "index_table" else 58.0
    bubbles = [bubble(signals, one) for one in fitted.instruments]
    items = [machine_item(signals, one, Box(0, 0, SIZE, SIZE)) for one in fitted.machines]
    shows = _count(signals, piece)
    widths = [text_width(piece.name), size, *(one.high_w for one in bubbles)]
    widths += [max(SIZE, label_width(item)) for item in items]
    widths.append(text_width("888888 parts", SMALL) if shows else 0.0)
    sketch.w = max(widths)
    y = 0.0
    for one in bubbles:
        path = [(sketch.w / 2, y + Bubble.high_h), (sketch.w / 2, y + Bubble.high_h + _STEM)]
        sketch.add("instruments", one.above(sketch.w / 2, y, path))
        y += Bubble.high_h + _STEM
    body = Box((sketch.w - size) / 2, y, size, size)
    sketch.add("carriers", _carrier(signals, piece, body, kind, 0.0))
    tools = {tool.name for tool in fitted.machines}
    own = [nozzle for nozzle in nozzles if nozzle.name.partition(">")[0] not in tools]
    on_the_sides(sketch, body, own)
    y = body.bottom + 2.0
    sketch.label(piece.name, sketch.w / 2, y, "middle")
    y += LABEL_H
    if shows:
        sketch.label("", sketch.w / 2, y, "middle", kind="count", width=widths[-1], **shows)
        y += LABEL_H
    for item, tool in zip(items, fitted.machines, strict=True):
        item |= Box(sketch.w / 2 - SIZE / 2, y + 4.0, SIZE, SIZE).fields()
        given = [nozzle for nozzle in nozzles if nozzle.name.partition(">")[0] == tool.name]
        on_the_sides(sketch, Box(item["x"], item["y"], SIZE, SIZE), given)
        y = named(sketch, item, sketch.w / 2, y + SIZE + 5.0).bottom
    sketch.h = y
    return sketch


def _carrier(signals: Signals, piece: Piece, box: Box, shape: str, length_m: float) -> Item:
    """What has parts; `length` in m is that of a belt, along which parts have a place."""
    moving = driver(piece)
    on = signals.of(moving, "running", "run") if moving else signals.of(piece, "turned")
    return {
        "name": piece.name,
        "type": piece.block.name,
        **box.fields(),
        "shape": shape,
        "length": length_m,
        "nests": int(piece.constants.get("nests", "0") or 0),
        "on": on,
        "parts": f"parts:{piece.name}" if signals.has_plant else None,
        "points": signals.points(piece),
    }


def _count(signals: Signals, piece: Piece) -> Item:
    channel = signals.of(piece, "made") if "made" in piece.block.outputs else None
    channel = channel or (signals.of(piece, "count") if "received" in piece.block.outputs else None)
    return {"channel": channel, "unit": "parts"} if channel else {}


def loose_sketch(signals: Signals, piece: Piece, machine: bool) -> Sketch:
    """A machine or an instrument that belongs to nothing on the picture."""
    sketch = Sketch(piece.name)
    if machine:
        item = machine_item(signals, piece, Box(0.0, 0.0, SIZE, SIZE))
        sketch.w = max(SIZE, label_width(item))
        item |= Box((sketch.w - SIZE) / 2, 0.0, SIZE, SIZE).fields()
        sketch.h = named(sketch, item, sketch.w / 2, SIZE + 1.0).bottom
        return sketch
    one = bubble(signals, piece)
    sketch.w, sketch.h = one.high_w, Bubble.high_h
    sketch.add("instruments", one.above(sketch.w / 2, 0.0, [(sketch.w / 2, Bubble.high_h)]))
    return sketch
