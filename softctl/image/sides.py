"""The two sides of a point: its channel on an I/O card, and its place on the HMI map."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import Enum

from softctl.machine import Address, Machine, Point
from softctl.modbus.bank import Bank
from softctl.values.tables import Table


class Side(Enum):
    """Which of a point's two places: its I/O channel or the HMI map."""

    FIELD = "field"
    HMI = "hmi"

    def address(self, point: Point) -> Address:
        """The point's address on this side."""
        address = point.field if self is Side.FIELD else point.hmi
        assert address is not None, f"{point.name} is not on the {self.value} side"
        return address

    def has(self, point: Point) -> bool:
        """Whether the point is on this side at all."""
        return (point.field if self is Side.FIELD else point.hmi) is not None


Extents = Mapping[Table, Sequence[tuple[int, int]]]


def extents(machine: Machine, side: Side, unit: int | None = None) -> Extents:
    """The address ranges (first, count) that a server of this side answers for at a unit id.

    Without `unit` it is the server's own; cards may have others.
    On the field side a card answers for all its channels, used or not; on the HMI side
    the map runs from 0 to its last point, so that gaps left for alignment read as 0.
    """
    ranges: dict[Table, list[tuple[int, int]]] = {}
    if side is Side.FIELD:
        wanted = machine.field.unit if unit is None else unit
        for card in machine.cards.values():
            if card.unit == wanted:
                ranges.setdefault(card.table, []).append((card.first, card.channels))
        return ranges
    ends: dict[Table, int] = {}
    for point in machine.points.values():
        if point.hmi is not None:
            ends[point.hmi.table] = max(point.hmi.end, ends.get(point.hmi.table, 0))
    return {table: [(0, end)] for table, end in ends.items()}


def field_banks(machine: Machine) -> dict[int, Bank]:
    """A bank for each unit id of the field server, its own first."""
    return {unit: Bank(extents(machine, Side.FIELD, unit)) for unit in machine.field_units}
