"""The ends of lines at a cell, and what is fitted to a vessel or a line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from softctl.picture.boxes import Box
from softctl.picture.sketch import Sketch
from softctl.plant.wiring import Piece


@dataclass(frozen=True, slots=True)
class Nozzle:
    """An end of a line at a cell: its name, which side, and whether liquid comes in there."""

    name: str
    is_left: bool
    is_inlet: bool


@dataclass(slots=True)
class Fitted:
    """What belongs to a vessel or a line: instruments, and machines by where they stand."""

    instruments: list[Piece] = field(default_factory=list)
    machines: list[Piece] = field(default_factory=list)


def rows_of(nozzles: Sequence[Nozzle]) -> int:
    """How many nozzles the fuller side has; at least 1."""
    lefts = sum(one.is_left for one in nozzles)
    return max(lefts, len(nozzles) - lefts, 1)


def on_the_sides(sketch: Sketch, body: Box, nozzles: Sequence[Nozzle]) -> None:
    """Nozzles one above the other on the walls of a body."""
    for is_left in (True, False):
        ones = [one for one in nozzles if one.is_left is is_left]
        edge, wall = (0.0, body.x) if is_left else (sketch.w, body.right)
        for place, one in enumerate(ones):
            y = body.y + body.h * (place + 0.5) / len(ones)
            sketch.inner[one.name] = [(edge, y), (wall, y)]
