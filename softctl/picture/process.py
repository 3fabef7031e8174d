"""The process picture: all equipment of a machine, laid out from what flows where.

The result is plain data for JSON, in px; every item has its box, so that a test can prove
that nothing lies on anything else.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from softctl.machine import Machine
from softctl.picture.boxes import Box, tidy
from softctl.picture.carriers import carrier_sketch, loose_sketch
from softctl.picture.flow_graph import Edge, FlowGraph, flow_graph, ranks
from softctl.picture.layers import Arrangement, Cell, Link, Point, arrange, straightened
from softctl.picture.nozzles import Fitted, Nozzle
from softctl.picture.runs import IN, OUT, run_sketch
from softctl.picture.signals import Signals, contents
from softctl.picture.sketch import Item, Sketch, boxes_of, bubble, moved
from softctl.picture.vessels import vessel_sketch
from softctl.plant.wiring import Wiring

_EDGE = 16.0
_GROUP_GAP = 34.0
_LISTS = ("vessels", "machines", "carriers", "lines", "instruments", "labels")


def process_picture(machine: Machine, wiring: Wiring, *, has_plant: bool = True) -> dict[str, Any]:
    """The geometry of a machine's picture.

    With `has_plant` live values come from the plant (`plant:` channels), else from the
    points that are wired to it.
    """
    graph = flow_graph(wiring)
    signals = Signals(machine, has_plant)
    picture = _Picture()
    for names in graph.groups():
        picture.below(_Group(graph, signals, names))
    for piece in graph.loose:
        picture.beside(loose_sketch(signals, piece, piece.block.role != "instrument"))
    most = [contents(piece) for piece in wiring.pieces.values()]
    species = [
        {"name": name, "most": max((one.get(number, 0.0) for one in most), default=0.0)}
        for number, name in enumerate(machine.species, 1)
    ]
    return picture.finished(species)


class _Picture:
    """Collects what has its place: groups one below the other, loose cells in rows."""

    def __init__(self) -> None:
        self.lists: dict[str, list[Item]] = {name: [] for name in _LISTS}
        self.w = self.bottom = 0.0
        self.row: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def below(self, group: _Group) -> None:
        """Put a group below what there is."""
        top = self.bottom + _GROUP_GAP if self.bottom else 0.0
        for kind, item in group.items():
            self.lists[kind].append(moved(item, _EDGE, _EDGE + top))
        self.w = max(self.w, group.made.width)
        self.bottom = top + group.made.height
        self.row = (0.0, 0.0, 0.0)

    def beside(self, sketch: Sketch) -> None:
        """Put a loose cell into the last row, or into a new one."""
        x, top, height = self.row
        if not height or (x + sketch.w > self.w and x):
            x, top, height = 0.0, (self.bottom + _GROUP_GAP if self.bottom else 0.0), 0.0
        for kind, item in sketch.items:
            self.lists[kind].append(moved(item, _EDGE + x, _EDGE + top))
        height = max(height, sketch.h)
        self.row = (x + sketch.w + _GROUP_GAP, top, height)
        self.w, self.bottom = max(self.w, x + sketch.w), max(self.bottom, top + height)

    def finished(self, species: list[Item]) -> dict[str, Any]:
        """The whole as data."""
        return {
            "width": tidy(self.w + 2 * _EDGE),
            "height": tidy(self.bottom + 2 * _EDGE),
            "species": species,
            **self.lists,
        }


@dataclass(frozen=True, slots=True)
class _Way:
    """An edge with the ends of its lines: (cell, port), always in the direction of the flow."""

    edge: Edge
    ends: tuple[tuple[tuple[str, str], tuple[str, str]], ...]


class _Group:
    """Equipment that hangs together, laid out by itself."""

    def __init__(self, graph: FlowGraph, signals: Signals, names: Sequence[str]) -> None:
        self.graph, self.signals, self.names = graph, signals, names
        self.edges = [edge for edge in graph.edges if edge.start in names]
        self.ranks = ranks(names, self.edges)
        self.columns = self._columns()
        self.ways = [self._way(edge) for edge in self.edges]
        self.sketches = self._sketches(self.edges)
        self.made = self._arrange()
        self.sketches = self._sketches(sorted(self.edges, key=self._height))
        self.made = self._arrange()

    def _columns(self) -> dict[str, int]:
        """Of nodes and lines: a line is beside the end with the lower rank."""
        found = {name: 2 * self.ranks[name] for name in self.names}
        for edge in self.edges:
            if edge.run:
                low = min(self.ranks[edge.start], self.ranks[edge.end])
                found[edge.name] = 2 * low + 1
        used = {column: place for place, column in enumerate(sorted(set(found.values())))}
        return {name: used[column] for name, column in found.items()}

    def _is_loop(self, edge: Edge) -> bool:
        return self.ranks[edge.start] == self.ranks[edge.end]

    def _is_back(self, edge: Edge) -> bool:
        return self.ranks[edge.start] > self.ranks[edge.end]

    def _way(self, edge: Edge) -> _Way:
        start, end = (edge.start, f"{edge.name}>"), (edge.end, f"{edge.name}<")
        if edge.run is None:
            return _Way(edge, ((start, end),))
        return _Way(edge, ((start, (edge.name, IN)), ((edge.name, OUT), end)))

    def _height(self, edge: Edge) -> float:
        """Where an edge is in the first arrangement: the order in which nozzles are given out."""
        if edge.run:
            return self.made.places[edge.name][1]
        return self.made.places[edge.end][1] + self.made.places[edge.start][1]

    def _sketches(self, edges: Sequence[Edge]) -> dict[str, Sketch]:
        found = {}
        for name in self.names:
            piece, fitted = self.graph.nodes[name], self.graph.fitted.get(name, Fitted())
            make = carrier_sketch if piece.block.role == "carrier" else vessel_sketch
            found[name] = make(self.signals, piece, fitted, list(self._nozzles(name, edges)))
        for edge in self.edges:
            if edge.run:
                fitted = self.graph.fitted.get(edge.name, Fitted())
                sketch = run_sketch(self.signals, edge.run, fitted, self._is_back(edge))
                found[edge.name] = _wrapped(sketch) if self._is_loop(edge) else sketch
        for sketch in found.values():
            sketch.settle()
        return found

    def _nozzles(self, name: str, edges: Sequence[Edge]) -> Iterable[Nozzle]:
        for edge in edges:
            if edge.start == name:
                is_left = self.ranks[edge.end] < self.ranks[name]
                yield Nozzle(f"{edge.name}>", is_left, False)
            if edge.end == name:
                is_left = self.ranks[edge.start] < self.ranks[name]
                yield Nozzle(f"{edge.name}<", is_left, True)

    def _arrange(self) -> Arrangement:
        cells = [
            Cell(name, self.columns[name], sketch.w, sketch.h, sketch.ports(), self._lean(name))
            for name, sketch in self.sketches.items()
        ]
        links = [
            Link(f"{way.edge.name}/{number}", *self._upright(a, b))
            for way in self.ways
            for number, (a, b) in enumerate(way.ends)
        ]
        return arrange(cells, links)

    def _lean(self, name: str) -> str:
        """On which side a cell is to be in line: a line with its upstream, a sink with its feed."""
        run = next((edge for edge in self.edges if edge.run and edge.name == name), None)
        if run:
            return "right" if self._is_back(run) else "left"
        ends = [edge for edge in self.edges if name in (edge.start, edge.end)]
        is_sink = len(ends) == 1 and self.ranks[name] == max(self.ranks[e.start] for e in ends) + 1
        return "left" if is_sink else ""

    def _upright(
        self, a: tuple[str, str], b: tuple[str, str]
    ) -> tuple[tuple[str, str], tuple[str, str]]:
        """Two ends, the one in the earlier column first."""
        return (a, b) if self.columns[a[0]] < self.columns[b[0]] else (b, a)

    # Items

    def items(self) -> Iterable[tuple[str, Item]]:
        """Everything in the group, at its place."""
        for name, sketch in self.sketches.items():
            x, y = self.made.places[name]
            for kind, item in sketch.items:
                yield kind, moved(self._flowing(name, kind, item), x, y)
        for way in self.ways:
            for number, (a, b) in enumerate(way.ends):
                yield "lines", self._line(way.edge, number, a, b)

    def _flowing(self, name: str, kind: str, item: Item) -> Item:
        """The pipe inside a line's own cell flows as the rest of it does."""
        if kind != "lines":
            return item
        edge = next(edge for edge in self.edges if edge.name == name)
        return {**item, "kind": "liquid", "flow": self._flow(edge), "arrow": False}

    def _line(self, edge: Edge, number: int, a: tuple[str, str], b: tuple[str, str]) -> Item:
        path = self.made.paths[f"{edge.name}/{number}"]
        if self._upright(a, b) != (a, b):
            path = path[::-1]
        points = [*self._inner(a)[::-1], *path, *self._inner(b)]
        return {
            "from": a[0],
            "to": b[0],
            "of": edge.name,
            "kind": "liquid" if edge.run or edge.giver.block.role == "line" else "parts",
            "path": [[tidy(x), tidy(y)] for x, y in straightened(points)],
            "flow": self._flow(edge),
            "arrow": b[0] == edge.end,
        }

    def _inner(self, end: tuple[str, str]) -> list[Point]:
        x, y = self.made.places[end[0]]
        return [(x + dx, y + dy) for dx, dy in self.sketches[end[0]].inner[end[1]]]

    def _flow(self, edge: Edge) -> str | None:
        """The channel of the flow: the plant's, or of a transmitter in the line."""
        channel = self.signals.of(edge.giver, "flow")
        fitted = self.graph.fitted.get(edge.name, Fitted())
        meters = [one for one in fitted.instruments if one.block.name == "flow_transmitter"]
        return channel or next((bubble(self.signals, one).channel for one in meters), None)


def _wrapped(sketch: Sketch) -> Sketch:
    """The cell of a line from a vessel back to it: both ends on the left."""
    sketch.shift(0.0, 16.0)
    edge, axis = sketch.inner[OUT][0]
    sketch.inner[OUT] = [(0.0, 4.0), (edge + 8.0, 4.0), (edge + 8.0, axis), *sketch.inner[OUT][1:]]
    sketch.w, sketch.h = sketch.w + 12.0, sketch.h + 16.0
    return sketch


def boxes(picture: dict[str, Any]) -> Iterable[tuple[str, Box]]:
    """Every box that nothing else may cover, with what it is: symbols, circles, texts."""
    for kind in ("vessels", "machines", "carriers", "instruments", "labels"):
        for item in picture[kind]:
            for box in boxes_of(item):
                yield f"{kind} {item.get('name') or item['text'] or item['kind']}", box
