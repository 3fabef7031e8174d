"""The points of the map, and which of them a range touches."""

from __future__ import annotations

from collections.abc import Iterator

from softctl.audit.observe import Span
from softctl.machine import Address, Machine, Point
from softctl.values.tables import Table

_FIRST_NUMBERS = {
    Table.COILS: 1,
    Table.DISCRETE_INPUTS: 10_001,
    Table.INPUT_REGISTERS: 30_001,
    Table.HOLDING_REGISTERS: 40_001,
}


class Map:
    """The HMI map of a machine, asked by ranges of addresses."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.points = [point for point in machine.points.values() if point.hmi is not None]
        self._at: dict[tuple[Table, int], list[Point]] = {}
        for point in self.points:
            place = _place(point)
            for address in range(place.address, place.end):
                self._at.setdefault((place.table, address), []).append(point)

    def at(self, table: Table, address: int) -> list[Point]:
        """The points that have this bit or register (several where they share one)."""
        return self._at.get((table, address), [])

    def touched(self, span: Span) -> list[Point]:
        """The points that a range holds a part of, in the order of their addresses."""
        table, first, count = span
        found: dict[str, Point] = {}
        for address in range(first, first + count):
            for point in self.at(table, address):
                found[point.name] = point
        return list(found.values())

    def cut(self, span: Span) -> Iterator[Point]:
        """The points of several registers that a range holds only a part of."""
        _, first, count = span
        for point in self.touched(span):
            place = _place(point)
            if place.address < first or place.end > first + count:
                yield point

    def fits(self, span: Span) -> bool:
        """True for a range of whole points: somebody could mean it."""
        return self.holds(span) and not any(self.cut(span))

    def holds(self, span: Span) -> bool:
        """True if every bit or register of the range belongs to a point."""
        table, first, count = span
        return all(self.at(table, address) for address in range(first, first + count))


def _place(point: Point) -> Address:
    assert point.hmi is not None
    return point.hmi


def address_text(table: Table, address: int) -> str:
    """An address in both ways of counting: `input registers 17 (30018)`."""
    return f"{table.value} {address} ({_FIRST_NUMBERS[table] + address:05d})"


def span_text(span: Span) -> str:
    """A range, its first address in both ways of counting."""
    table, first, count = span
    text = address_text(table, first)
    return text if count == 1 else f"{text} and {count - 1} more"
