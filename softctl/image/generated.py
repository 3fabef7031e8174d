"""Functions that are generated for the scaled numbers of one reader or writer.

Straight lines for many at once: a scan in which every transmitter moves would otherwise pay
several calls for each. Many points are converted in portions, and only those in which
something changed.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Sequence
from itertools import chain
from math import inf
from typing import Any

from softctl.image.cells import Cell
from softctl.values.scaling import Scaling
from softctl.values.types import Kind

Convert = Callable[[tuple[Any, ...]], tuple[Any, ...]]

PORTION = 16
"""Points that are converted together, in a few microseconds."""


def from_counts(cells: Sequence[Cell]) -> Convert:
    """What turns the counts of scaled cells into their points' values."""
    return _in_portions(cells, _from_counts)


def to_counts(cells: Sequence[Cell], *, in_si: bool) -> Convert:
    """What turns the values of points, or those in SI units, into counts for scaled cells."""
    return _in_portions(cells, _from_si_to_counts if in_si else _to_counts)


def _in_portions(cells: Sequence[Cell], make: Callable[[Sequence[Cell]], Convert]) -> Convert:
    if len(cells) <= PORTION:
        return make(cells)
    spans = [slice(first, first + PORTION) for first in range(0, len(cells), PORTION)]
    portions = [(number, span, make(cells[span])) for number, span in enumerate(spans)]
    last: list[tuple[Any, ...]] = [()] * len(portions)
    converted: list[tuple[Any, ...]] = [()] * len(portions)

    def convert(values: tuple[Any, ...]) -> tuple[Any, ...]:
        for number, span, portion in portions:
            now = values[span]
            if now != last[number]:
                last[number] = now
                converted[number] = portion(now)
        return tuple(chain.from_iterable(converted))

    return convert


def _from_counts(cells: Sequence[Cell]) -> Convert:
    lines, results = [], []
    for number, one in enumerate(cells):
        text = _scaling(one).from_raw_text(f"v{number}", "share")
        if one.is_real:
            lines.append(f"reals[{number}] = {text}")
            text = f"reals[{number}]"
        results.append(text)
    return _function(len(cells), lines, results)


def _to_counts(cells: Sequence[Cell]) -> Convert:
    numbered = enumerate(map(_scaling, cells))
    return _function(len(cells), [], [s.to_raw_text(f"v{n}", "counts") for n, s in numbered])


def _from_si_to_counts(cells: Sequence[Cell]) -> Convert:
    results = []
    for number, one in enumerate(cells):
        value, point = f"v{number}", one.point
        if point.type.kind is Kind.REAL:
            value = f"(({value} - {point.si_offset!r}) / {point.si_scale!r})"
        results.append(_scaling(one).to_raw_text(value, "counts"))
    return _function(len(cells), [], results)


def _scaling(one: Cell) -> Scaling:
    assert one.scaling is not None
    return one.scaling


def _function(count: int, lines: list[str], results: list[str]) -> Convert:
    """Takes v0, v1… as one tuple; a value that is put into `reals` is rounded to a REAL."""
    scope: dict[str, Any] = {"reals": array("f", [0.0] * count), "inf": inf}
    names = "".join(f"v{number}, " for number in range(count))
    body = [f"{names}= values", *lines, f"return ({', '.join(results)}, )"]
    exec("def made(values):\n    " + "\n    ".join(body), scope)
    made: Convert = scope["made"]
    return made
