"""Belts with the parts on them, and bins with theirs, as lines of a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from softctl.plant import CarrierRow, Part

_CELLS = 60


def draw_carriers(rows: Sequence[CarrierRow]) -> RenderableType:
    """One line for each: a strip with its parts for a belt, a count for the others."""
    table = Table.grid(padding=(0, 2))
    for row in rows:
        table.add_row(row.name, _strip(row) if row.length_m else Text(), _count(row))
    return table


def _count(row: CarrierRow) -> str:
    return f"{row.count} part{'' if row.count == 1 else 's'}"


def _strip(row: CarrierRow) -> Text:
    """The belt from left to right; a part is drawn from tail to front, one cell at least."""
    cells = ["·"] * _CELLS
    for part in row.parts:
        first, last = _cells(part, row.length_m)
        for i in range(max(first, 0), min(last, _CELLS - 1) + 1):
            # A defective part can be told from a good one without colour.
            cells[i] = "▒" if part.is_defective else "█"
    return Text("".join(cells))


def _cells(part: Part, length_m: float) -> tuple[int, int]:
    scale = _CELLS / length_m
    first = round((part.place_m - 0.5 * part.length_m) * scale)
    return first, max(first, round((part.place_m + 0.5 * part.length_m) * scale) - 1)
