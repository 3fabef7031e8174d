"""Cells with a vessel: its body, what is built into it, its instruments, its nozzles.

Lines come in over the rim, from above, and leave at the bottom; so what is beside the body is
free for instruments on the right and what heats and cools on the left.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from softctl.picture.boxes import SMALL, Box, kept_within, spread, text_width
from softctl.picture.ends import end_sketch, manifold_sketch
from softctl.picture.layers import Point
from softctl.picture.nozzles import Fitted, Nozzle
from softctl.picture.signals import Signals, figure, species_in, temperature_of
from softctl.picture.sketch import BUBBLE, LABEL_H, Bubble, Item, Sketch, bubble
from softctl.picture.symbols import SIZE, label_width, machine_item, named_beside
from softctl.plant.wiring import Piece

_AREA = 17_000.0
_LEAST_W = 84.0
_LANE = 18.0
_TAP = 22.0
_BUBBLE_GAP = 8.0
_RIGHT_ROWS = 5
_MOTOR_ROW = 44.0
_SHAFT_W = 32.0
_BUILT_IN = 44.0
_OUTLET = 22.0
_DISHED = 0.19  # how deep a dished end is, as a share of the diameter
_PLACES = {  # where an instrument sits on the wall when nothing says so, as a share of the height
    "level_transmitter": 0.55,
    "pressure_transmitter": 0.8,
    "temperature_transmitter": 0.32,
    "conductivity_transmitter": 0.12,
    "weigh_cell": 0.0,
}


def vessel_sketch(
    signals: Signals, piece: Piece, fitted: Fitted, nozzles: Sequence[Nozzle]
) -> Sketch:
    """The cell of any vessel."""
    kind = piece.block.name.lower()
    if kind == "manifold":
        return manifold_sketch(signals, piece, fitted, nozzles)
    if kind in ("header", "inflow"):
        return end_sketch(signals, piece, fitted, nozzles)
    return _Body(signals, piece, fitted, nozzles).sketch


@dataclass(frozen=True, slots=True)
class _Text:
    text: str
    kind: str
    w: float
    more: Mapping[str, Any]


class _Body:
    """Builds the cell of a vessel with a body from its parts."""

    def __init__(
        self, signals: Signals, piece: Piece, fitted: Fitted, nozzles: Sequence[Nozzle]
    ) -> None:
        self.signals, self.piece = signals, piece
        self.sketch = Sketch(piece.name)
        self.stirring = [one for one in fitted.machines if one.block.name.lower() == "agitator"]
        self.beside = [one for one in fitted.machines if one not in self.stirring]
        bubbles = sorted((bubble(signals, one) for one in fitted.instruments), key=_height)
        bubbles.reverse()
        self.right, self.left = bubbles[:_RIGHT_ROWS], bubbles[_RIGHT_ROWS:]
        self.inlets = [one for one in nozzles if one.is_inlet]
        self.outlets = [one for one in nozzles if not one.is_inlet]
        self.shape = _shape(piece)
        self.level = _level(signals, piece, self.shape, bubbles)
        self.texts = self._texts()
        self.body = self._body()
        self._build()

    def _body(self) -> Box:
        w, h = _size(self.piece, self.shape)
        row = BUBBLE + _BUBBLE_GAP
        right, left = len(self.right) * row + _OUTLET, len(self.left) * row + self._foot(True)
        h = max(h, right + 8.0, left + 8.0)
        lefts = sum(one.is_left for one in self.inlets)
        lanes = max(lefts, len(self.inlets) - lefts)
        top = lanes * _LANE + (_MOTOR_ROW if self.stirring else 6.0)
        left = max(
            max((one.wide_w + _TAP for one in self.left), default=0.0),
            max((self._beside_w(one) for one in self.beside), default=0.0),
        )
        w = max(w, _LEAST_W * max(1, len(self.stirring)))
        half = max(text.w for text in self.texts) / 2
        return Box(max(left + 4.0, half - w / 2), top, w, h)

    def _foot(self, is_left: bool) -> float:
        """How much of a side's lower end is taken: by the outlet, or what heats and cools."""
        rows = len(self.beside) if is_left else 0
        return _OUTLET + rows * _BUILT_IN

    def _beside_w(self, piece: Piece) -> float:
        item = machine_item(self.signals, piece, Box(0, 0, SIZE, SIZE))
        return label_width(item) + 10.0

    def _build(self) -> None:
        sketch, body = self.sketch, self.body
        half = max(text.w for text in self.texts) / 2
        sketch.w = max(
            body.right + max((one.wide_w + _TAP for one in self.right), default=4.0),
            body.x + body.w / 2 + half,
            *(body.right + self._beside_w(one) - body.w / 2 for one in self.stirring[-1:]),
        )
        bottom = self._outlets()
        sketch.add("vessels", self._item())
        self._inlets()
        self._agitators()
        self._built_in()
        self._instruments(self.right, body.right, body.right + _TAP)
        self._instruments(self.left, body.x, 0.0)
        for text in self.texts:
            middle = body.x + body.w / 2
            sketch.label(
                text.text, middle, bottom, "middle", kind=text.kind, width=text.w, **text.more
            )
            bottom += LABEL_H
        sketch.h = bottom

    # Nozzles

    def _inlets(self) -> None:
        """Over the rim: the first of a side is the highest, and drops nearest to the middle."""
        for side in (True, False):
            ones = [one for one in self.inlets if one.is_left is side]
            reach = min(self.body.w * 0.36, self._first_shaft() - _SHAFT_W / 2 - 12.0)
            for place, one in enumerate(ones):
                share = (place + 1) / (len(ones) + 1)
                inwards = reach * (1 - share)
                x = self.body.x + 8 + inwards if side else self.body.right - 8 - inwards
                y = self.body.y - (len(ones) - place) * _LANE + 6
                edge = 0.0 if side else self.sketch.w
                drop = self.body.y + self._dome(x) + 8.0
                self.sketch.inner[one.name] = [(edge, y), (round(x), y), (round(x), round(drop))]

    def _first_shaft(self) -> float:
        """How far from the wall the nearest agitator's shaft is, or would be."""
        return self.body.w / (2 * max(len(self.stirring), 1))

    def _dome(self, x: float) -> float:
        """How far below the body's top its wall is, at a place across."""
        if self.shape == "lying" or self.piece.constants.get("top", "0") == "0":
            return 0.0
        share = abs(2 * (x - self.body.x) / self.body.w - 1)
        return share * share * self.body.h * 0.15

    def _outlets(self) -> float:
        """Out of a flat bottom's wall, else from the lowest point; where the body's texts begin."""
        body, sketch = self.body, self.sketch
        is_pointed = self.shape == "lying" or self.piece.constants.get("bottom", "0") != "0"
        count = {True: 0, False: 0}
        bottom = body.bottom + 4.0
        for one in self.outlets:
            edge, place = (0.0 if one.is_left else sketch.w), count[one.is_left]
            count[one.is_left] += 1
            wall = body.x if one.is_left else body.right
            if is_pointed or place:
                lane = body.bottom + 10.0 + 14.0 * (place - (not is_pointed))
                middle = body.x + body.w / 2
                stem = middle if is_pointed else wall + (14.0 if one.is_left else -14.0) * place
                sketch.inner[one.name] = [(edge, lane), (stem, lane), (stem, body.bottom)]
                bottom = max(bottom, lane + 8.0)
            else:
                lane = body.bottom - 12.0
                sketch.inner[one.name] = [(edge, lane), (wall, lane)]
        return bottom

    # What is built in

    def _agitators(self) -> None:
        for place, piece in enumerate(self.stirring):
            middle = self.body.x + self.body.w * (place + 0.5) / len(self.stirring)
            top = 4.0
            depth = self.body.y + self.body.h * 0.74
            box = Box(middle - 13.0, top, 26.0, 26.0)
            item = machine_item(self.signals, piece, box)
            item["shaft"] = {
                "x": middle - _SHAFT_W / 2,
                "y": top + 26.0,
                "w": _SHAFT_W,
                "h": depth - top - 26.0,
            }
            named_beside(self.sketch, item, box.right + 5.0, top - 2.0)

    def _built_in(self) -> None:
        """Heaters and jackets: the symbol on the wall's left, the words outside."""
        body, sketch = self.body, self.sketch
        for place, piece in enumerate(self.beside):
            middle = body.bottom - _OUTLET - (place + 0.5) * _BUILT_IN
            look = piece.block.name.lower()
            clear = self._first_shaft() - _SHAFT_W / 2 - 3.0 if self.stirring else body.w
            box = Box(body.x, middle - 10.0, min(body.w * 0.6, clear), 20.0)
            if look == "jacket":
                box = Box(body.x - 6.0, middle - 18.0, body.w + 12.0, 36.0)
            item = machine_item(self.signals, piece, box)
            width = label_width(item)
            named_beside(sketch, item, body.x - 8.0 - width, middle - LABEL_H)

    # Instruments

    def _instruments(self, ones: Sequence[Bubble], wall: float, x: float) -> None:
        body = self.body
        taps = [body.bottom - _height(one) * body.h for one in ones]
        low, high = body.y + BUBBLE / 2, body.bottom - BUBBLE / 2 - self._foot(x < wall)
        wanted = [min(max(tap, low), high) for tap in taps]
        gaps = [BUBBLE + _BUBBLE_GAP] * max(len(ones) - 1, 0)
        middles = kept_within(spread(wanted, gaps), gaps, low, high)
        for one, tap, middle in zip(ones, taps, middles, strict=True):
            tap = min(max(tap, body.y + 3), body.bottom - 3) if _is_switch(one) else middle
            is_right = x > wall
            edge = x if is_right else x + one.wide_w
            bend = (wall + edge) / 2
            path: list[Point] = [(edge, middle), (bend, middle), (bend, tap), (wall, tap)]
            if middle == tap:
                path = [(edge, middle), (wall, tap)]
            self.sketch.add("instruments", one.beside(x, middle - BUBBLE / 2, path))

    # Texts

    def _texts(self) -> list[_Text]:
        """The name, and what is true of the content."""
        name = self.piece.name
        texts = [_Text(name, "name", text_width(name), {})]
        temperature = temperature_of(self.signals, self.piece)
        state = {**self.level, "temperature": temperature}
        words = ["888.88 m"] * bool(self.level["level"]) + ["88.8 °C"] * bool(temperature)
        if words:
            texts.append(_Text("", "content", text_width(" · ".join(words), SMALL), state))
        for one in species_in(self.signals, self.piece):
            text = f"{one['name']} "
            more = {"species": one["number"], "channel": one["channel"], "fixed": one["fixed"]}
            texts.append(_Text(text, "share", text_width(f"88 {text} 888.8 kg/m³", SMALL), more))
        return texts

    def _item(self) -> Item:
        signals, piece = self.signals, self.piece
        return {
            "name": piece.name,
            "type": piece.block.name,
            **self.body.fields(),
            "shape": self.shape,
            "bottom": _end_depth(piece, "bottom", self.body),
            "top": _end_depth(piece, "top", self.body),
            **self.level,
            "temperature": temperature_of(signals, piece),
            "species": species_in(signals, piece),
            "points": signals.points(piece),
            "ground": (figure(piece, "elevation") or 0.0) < -0.5,
        }


def _shape(piece: Piece) -> str:
    if piece.block.name.lower() == "supply":
        return "supply"
    if figure(piece, "width"):
        return "sump"
    return "lying" if figure(piece, "length") and figure(piece, "diameter") else "upright"


def _size(piece: Piece, shape: str) -> tuple[float, float]:
    """Of the body, with the vessel's own proportions as far as they can be drawn."""
    if shape == "supply":
        return 84.0, 74.0
    across = figure(piece, "length" if shape in ("lying", "sump") else "diameter")
    high = figure(piece, "diameter" if shape == "lying" else "height")
    ratio = min(max((high or 1.3) / (across or 1.0), 0.42), 2.0)
    width = (_AREA / ratio) ** 0.5
    return round(max(width, _LEAST_W)), round(width * ratio)


def _end_depth(piece: Piece, end: str, body: Box) -> dict[str, Any]:
    """The form of an end and how deep it is on the picture, in px."""
    words = ("flat", "cone", "ellipsoid", "dished")
    number = piece.constants.get(end, "0")
    form = words[int(number)] if number.isdigit() and int(number) < len(words) else "flat"
    height = figure(piece, "height") or 1.0
    depth = figure(piece, f"{end}_depth") or _DISHED * (figure(piece, "diameter") or 1.0)
    share = 0.0 if form == "flat" else min(depth / height, 0.45)
    return {"form": form, "depth": round(share * body.h, 1)}


def _level(signals: Signals, piece: Piece, shape: str, bubbles: Sequence[Bubble]) -> dict[str, Any]:
    """The channel of the level and what a full vessel has, both in one unit."""
    if shape == "supply":
        volume = figure(piece, "volume")
        channel = signals.of(piece, "available") if volume else None
        return {"level": channel, "full": volume, "level_unit": "m3"}
    full = figure(piece, "diameter" if shape == "lying" else "height")
    channel = signals.of(piece, "level")
    meters = [one.piece for one in bubbles if one.piece.block.name == "level_transmitter"]
    point = signals.point(meters[0], "signal") if meters and channel is None else None
    if point is None:
        return {"level": channel, "full": full, "level_unit": "m"}
    full = ((full or 1.0) - point.si_offset) / point.si_scale
    return {"level": f"point:{point.name}", "full": full, "level_unit": point.unit}


def _height(one: Bubble) -> float:
    """Where an instrument sits on its vessel, as a share of the height."""
    piece, host = one.piece, one.piece.neighbours.get("in")
    level = figure(piece, "level")
    full = (figure(host, "height") or figure(host, "diameter")) if host else None
    if level is not None and full:
        return level / full
    return _PLACES.get(piece.block.name.lower(), 0.5)


def _is_switch(one: Bubble) -> bool:
    return figure(one.piece, "level") is not None
