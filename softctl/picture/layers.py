"""Places cells in columns and draws the lines between them, upright and level.

The usual four passes of a layered drawing, each simple because a machine's picture is small:
columns are given; a line over several columns gets a slot of its own in each, so that it
meets nothing there; the order in a column follows the neighbours' mean place (Sugiyama's
barycentres); places are the nearest to the wanted ones that keep the order and the gaps.
Between two columns each line has at most one upright piece, on a track of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, permutations

from softctl.picture.boxes import spread

_ROW_GAP = 26.0
_SMALL_GAP = 14.0
_TRACK = 14.0
_MARGIN = 12.0
_SLOT = 14.0
_SWEEPS = 12
_FEW = 5
_NEAR = 5.0

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Cell:
    """A box in a column; `ports` are heights below its top, of lines on either side.

    `lean` is the side, left or right, on which its lines are rather straight than elsewhere.
    """

    name: str
    column: int
    w: float
    h: float
    ports: Mapping[str, float]
    lean: str = ""


@dataclass(frozen=True, slots=True)
class Link:
    """A line from a port on a cell's right side to one on the left side of a later column."""

    name: str
    start: tuple[str, str]
    end: tuple[str, str]


@dataclass(slots=True)
class Arrangement:
    """Where the cells' left upper corners are, the lines' corners, and the size of it all."""

    places: dict[str, Point] = field(default_factory=dict)
    paths: dict[str, list[Point]] = field(default_factory=dict)
    width: float = 0.0
    height: float = 0.0


def arrange(cells: Sequence[Cell], links: Sequence[Link]) -> Arrangement:
    """Lay out cells whose columns are given, and the links between them."""
    return _Layout(cells, links).run()


class _Layout:
    def __init__(self, cells: Sequence[Cell], links: Sequence[Link]) -> None:
        self.cells = {cell.name: cell for cell in cells}
        self.columns: list[list[str]] = [[] for _ in range(1 + max(c.column for c in cells))]
        for cell in cells:
            self.columns[cell.column].append(cell.name)
        self.links = links
        self.hops: dict[str, list[tuple[tuple[str, str], tuple[str, str]]]] = {}
        self.tops: dict[str, float] = {}
        for link in links:
            self.hops[link.name] = self._hops(link)
        self.after: dict[str, list[tuple[str, str, str]]] = {name: [] for name in self.cells}
        self.before: dict[str, list[tuple[str, str, str]]] = {name: [] for name in self.cells}
        for hops in self.hops.values():
            for (a, a_port), (b, b_port) in hops:
                self.after[a].append((a_port, b, b_port))
                self.before[b].append((b_port, a, a_port))

    def _hops(self, link: Link) -> list[tuple[tuple[str, str], tuple[str, str]]]:
        """The link in pieces from one column to the next, over slots of its own."""
        (a, _), (b, _) = link.start, link.end
        ends = [link.start]
        for column in range(self.cells[a].column + 1, self.cells[b].column):
            name = f"{link.name}@{column}"
            self.cells[name] = Cell(name, column, 0.0, _SLOT, {"": _SLOT / 2})
            self.columns[column].append(name)
            ends.append((name, ""))
        return list(pairwise([*ends, link.end]))

    def run(self) -> Arrangement:
        self._order()
        self._place()
        return self._draw()

    # Order

    def _order(self) -> None:
        best, fewest = [list(column) for column in self.columns], self._crossings()
        for sweep in range(_SWEEPS):
            forward = sweep % 2 == 0
            for column in self.columns if forward else reversed(self.columns):
                self._sort(column, forward)
            crossings = self._crossings()
            if crossings < fewest:
                best, fewest = [list(column) for column in self.columns], crossings
        self.columns = best

    def _sort(self, column: list[str], forward: bool) -> None:
        ranks = self._ranks()
        means = {}
        for place, name in enumerate(column):
            near = self.before[name] if forward else self.after[name]
            found = [ranks[other] + self._share(other, port) for _, other, port in near]
            means[name] = sum(found) / len(found) if found else float(place)
        column.sort(key=means.__getitem__)

    def _ranks(self) -> dict[str, int]:
        return {name: i for column in self.columns for i, name in enumerate(column)}

    def _share(self, name: str, port: str) -> float:
        cell = self.cells[name]
        return cell.ports[port] / (cell.h + 1.0)

    def _crossings(self) -> int:
        ranks = self._ranks()
        total = 0
        for column in self.columns:
            ends = [
                (ranks[a] + self._share(a, a_port), ranks[b] + self._share(b, b_port))
                for a in column
                for a_port, b, b_port in self.after[a]
            ]
            total += sum(
                (p[0] - q[0]) * (p[1] - q[1]) < 0 for i, p in enumerate(ends) for q in ends[:i]
            )
        return total

    # Heights

    def _place(self) -> None:
        for column in self.columns:
            top = 0.0
            for name in column:
                self.tops[name] = top
                top += self.cells[name].h + _ROW_GAP
        for sweep in range(2 * _SWEEPS):
            forward = sweep % 2 == 0
            for column in self.columns if forward else reversed(self.columns):
                self._settle(column, forward)
        for column in self.columns:
            self._straighten(column)
        least = min(self.tops.values())
        self.tops = {name: top - least for name, top in self.tops.items()}

    def _settle(self, column: list[str], forward: bool) -> None:
        wanted = []
        for name in column:
            near = self.before[name] if forward else self.after[name]
            near = near or [*self.before[name], *self.after[name]]
            found = [
                self.tops[other] + self.cells[other].ports[port] - self.cells[name].ports[own]
                for own, other, port in near
            ]
            wanted.append(sum(found) / len(found) if found else self.tops[name])
        gaps = [gap for _, gap in self._gaps(column)]
        for name, top in zip(column, spread(wanted, gaps), strict=True):
            self.tops[name] = round(top)

    def _gaps(self, column: list[str]) -> list[tuple[str, float]]:
        """Each but the first, with how far its top has to be below the one above."""
        return [(b, self.cells[a].h + self._gap(a, b)) for a, b in pairwise(column)]

    def _gap(self, upper: str, lower: str) -> float:
        """Between two cells of a column: less where small ones are to be in line with others."""
        if "@" in upper and "@" in lower:
            return _SLOT / 2
        return _SMALL_GAP if self.cells[upper].lean and self.cells[lower].lean else _ROW_GAP

    def _straighten(self, column: list[str]) -> None:
        """Bring what leans into line with its neighbour, and slots with what is before them.

        Where two cannot both be in line, the upper one is.
        """
        least = -float("inf")
        below = dict(self._gaps(column))
        for number, name in enumerate(column):
            if number:
                least = self.tops[column[number - 1]] + below[name]
            self.tops[name] = max(self._in_line(name), least)

    def _in_line(self, name: str) -> float:
        cell = self.cells[name]
        lean = "left" if "@" in name else cell.lean
        near = {"left": self.before, "right": self.after}.get(lean, {}).get(name, [])
        if not near:
            return self.tops[name]
        own, other, port = near[0]
        return self.tops[other] + self.cells[other].ports[port] - cell.ports[own]

    # Lines

    def _draw(self) -> Arrangement:
        made = Arrangement()
        x, pieces = 0.0, dict[tuple[str, int], list[Point]]()
        for number, column in enumerate(self.columns):
            width = max((self.cells[name].w for name in column), default=0.0)
            for name in column:
                made.places[name] = (x + (width - self.cells[name].w) / 2, self.tops[name])
            x += width
            if number + 1 < len(self.columns):
                x += self._channel(number, x, pieces)
        for link in self.links:
            made.paths[link.name] = self._path(link, made, pieces)
        made.places = {name: at for name, at in made.places.items() if "@" not in name}
        made.width = x
        made.height = max(self.tops[name] + cell.h for name, cell in self.cells.items())
        return made

    def _path(
        self, link: Link, made: Arrangement, pieces: Mapping[tuple[str, int], list[Point]]
    ) -> list[Point]:
        (a, a_port), (b, b_port) = link.start, link.end
        start, end = self.cells[a], self.cells[b]
        points = [(made.places[a][0] + start.w, self.tops[a] + start.ports[a_port])]
        for number in range(start.column, end.column):
            points += pieces[link.name, number]
        points.append((made.places[b][0], self.tops[b] + end.ports[b_port]))
        return straightened(points)

    def _channel(self, number: int, x: float, pieces: dict[tuple[str, int], list[Point]]) -> float:
        """Draw the lines between two columns from `x` on; how wide that is."""
        bent: list[tuple[str, float, float]] = []
        for link, hops in self.hops.items():
            for (a, a_port), (b, b_port) in hops:
                if self.cells[a].column == number:
                    y1 = self.tops[a] + self.cells[a].ports[a_port]
                    y2 = self.tops[b] + self.cells[b].ports[b_port]
                    pieces[link, number] = [(x, y1), (x, y2)]
                    if y1 != y2:
                        bent.append((link, y1, y2))
        for track, (link, y1, y2) in enumerate(_tracks(bent)):
            at = x + _MARGIN + track * _TRACK
            pieces[link, number] = [(at, y1), (at, y2)]
        return 2 * _MARGIN + _TRACK * max(len(bent) - 1, 0)


def _tracks(bent: list[tuple[str, float, float]]) -> list[tuple[str, float, float]]:
    """The upright pieces from left to right, so that few lines cross and none coincide."""
    if len(bent) <= _FEW:
        return list(min(permutations(bent), key=_cost))
    order: list[tuple[str, float, float]] = []
    for one in bent:
        places = range(len(order) + 1)
        order = min(([*order[:i], one, *order[i:]] for i in places), key=_cost)
    return order


def _cost(tracks: Iterable[tuple[str, float, float]]) -> int:
    order = list(tracks)
    total = 0
    for i, (_, left1, left2) in enumerate(order):
        for _, right1, right2 in order[i + 1 :]:
            total += min(right1, right2) < left2 < max(right1, right2)
            total += min(left1, left2) < right1 < max(left1, left2)
            total += 1000 * (abs(left2 - right1) < _NEAR)
    return total


def straightened(points: Sequence[Point]) -> list[Point]:
    """The same path without points that change nothing."""
    found: list[Point] = []
    for point in points:
        if found and found[-1] == point:
            continue
        while len(found) > 1 and _in_line(found[-2], found[-1], point):
            found.pop()
        found.append(point)
    return found


def _in_line(a: Point, b: Point, c: Point) -> bool:
    return (a[0] == b[0] == c[0]) or (a[1] == b[1] == c[1])
