"""The points of a server's map, and which of them a range touches."""

from __future__ import annotations

from collections.abc import Iterator

from softctl.audit.observe import Span
from softctl.image import Side
from softctl.machine import Address, Machine, Point, Role
from softctl.values.registers import WordOrder
from softctl.values.tables import Table
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType, Kind


class Map:
    """What one unit id of one of a machine's servers has, asked by ranges of addresses.

    `unit` is that of the machine file; the points of the field's other unit ids are not on
    this map.
    """

    def __init__(self, machine: Machine, side: Side = Side.HMI, unit: int | None = None) -> None:
        self.machine = machine
        self.side = side
        endpoint = machine.hmi if side is Side.HMI else machine.field
        self.unit = endpoint.unit if unit is None else unit
        self.points = [point for point in machine.points.values() if self._has(point)]
        self._at: dict[tuple[Table, int], list[Point]] = {}
        for point in self.points:
            place = self.place(point)
            for address in range(place.address, place.end):
                self._at.setdefault((place.table, address), []).append(point)

    def _has(self, point: Point) -> bool:
        if not self.side.has(point):
            return False
        return self.side is Side.HMI or self.machine.field_unit(point) == self.unit

    # One point

    def place(self, point: Point) -> Address:
        """Where a point is."""
        return self.side.address(point)

    def span(self, point: Point) -> Span:
        """The same as a range."""
        place = self.place(point)
        return place.table, place.address, place.count

    def is_written(self, point: Point) -> bool:
        """Whether a client may write it."""
        is_output = point.role is Role.OUTPUT
        return point.role.is_written_by_hmi if self.side is Side.HMI else is_output

    def type(self, point: Point) -> ElementaryType:
        """What travels: an analog channel's counts, else what its registers hold."""
        is_raw = self.side is Side.FIELD and point.raw is not None
        return ELEMENTARY_TYPES["INT"] if is_raw else point.hmi_type

    def order(self, point: Point) -> WordOrder:
        """The order of its registers."""
        return self.machine.hmi_order(point)

    def limits(self, point: Point) -> tuple[float, float] | None:
        """Between which values it is written, as `decode` gives them; None for no limits."""
        on_hmi = None if point.scale is None else point.scale.raw
        raw = point.raw if self.side is Side.FIELD else on_hmi
        if raw is not None:
            return min(raw), max(raw)
        if point.low is None or point.high is None or point.type.kind is Kind.STRING:
            return None
        return point.low, point.high

    def required_ns(self, point: Point) -> int | None:
        """How often it has to be read at least; None for as the client likes."""
        return self.machine.refresh_ns(point) if self.side is Side.HMI else None

    @property
    def heartbeat(self) -> Point | None:
        """The point that tells a controller which stands still; a field has none."""
        return self.machine.points["HEARTBEAT"] if self.side is Side.HMI else None

    @property
    def answers_at(self) -> str:
        """Where to send requests to."""
        if self.side is Side.HMI:
            return f"the map answers at unit {self.unit}"
        return "use the unit ids that the simulated field tells when it starts"

    @property
    def change_ns(self) -> int:
        """The time in which a value can change."""
        machine = self.machine
        return machine.scan_ns if self.side is Side.HMI else machine.plant_step_ns

    @property
    def is_driven(self) -> bool:
        """Whether its clients write all the time, as those of I/O cards do."""
        return self.side is Side.FIELD

    # Ranges

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
        for point in self.touched(span):
            if not covers(span, self.span(point)):
                yield point

    def fits(self, span: Span) -> bool:
        """True for a range of whole points: somebody could mean it."""
        return self.holds(span) and not any(self.cut(span))

    def holds(self, span: Span) -> bool:
        """True if every bit or register of the range belongs to a point."""
        table, first, count = span
        return all(self.at(table, address) for address in range(first, first + count))


def covers(outer: Span, inner: Span) -> bool:
    """Whether a range holds all of another."""
    is_inside = outer[1] <= inner[1] and inner[1] + inner[2] <= outer[1] + outer[2]
    return outer[0] is inner[0] and is_inside


def address_text(table: Table, address: int) -> str:
    """An address in both ways of counting: `input registers 17 (30018)`."""
    return f"{table.value} {address} ({table.number(address):05d})"


def span_text(span: Span) -> str:
    """A range, its first address in both ways of counting."""
    table, first, count = span
    text = address_text(table, first)
    return text if count == 1 else f"{text} and {count - 1} more"
