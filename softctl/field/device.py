"""The plant seen through its I/O cards."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from softctl.field.filters import InputFilters
from softctl.image import Side, field_banks, point_reader, point_writer
from softctl.machine import Machine, Point, Role, Value
from softctl.modbus.bank import Bank
from softctl.plant import Plant
from softctl.values.tables import Table
from softctl.values.types import Kind


class FieldDevice:
    """Joins a plant to the four tables that a controller reads and writes.

    The cards watch their controller, as remote I/O does, and those of each unit id on their
    own: when nobody has written an output of a unit for `machine.fail_safe_after_ns` of the
    caller's clock, its outputs go to their declared fail-safe values and stay there until
    the next write. `banks` holds the tables of each unit id, the server's own first.
    """

    def __init__(self, machine: Machine, plant: Plant) -> None:
        self.machine = machine
        self.plant = plant
        self.banks = field_banks(machine)
        inputs = _wired_points(machine, Role.INPUT)
        outputs = _wired_points(machine, Role.OUTPUT)
        self._read_outputs = point_reader(self.banks, machine, outputs, Side.FIELD, wired=False)
        self._write_inputs = point_writer(
            self.banks, machine, inputs, Side.FIELD, wired=False, in_si=True
        )
        self._drive, self._sense = plant.connect(
            [point.terminal for point in outputs], [point.terminal for point in inputs]
        )
        filters = InputFilters([machine.cards[point.card].filter_ns for point in inputs])
        self._filters = filters or None
        self._to_si = _in_si(outputs)
        self._fail_safe = self._fail_safe_memory()
        self._written_at_ns: dict[int, int] = {}
        self._safe_units: set[int] = set()
        for unit in self._fail_safe:
            self._go_fail_safe(unit)
        self._publish()

    @property
    def bank(self) -> Bank:
        """The tables of the server's own unit id."""
        return self.banks[self.machine.field.unit]

    @property
    def is_fail_safe(self) -> bool:
        """Whether outputs are fail-safe because nobody writes them, of any unit."""
        return bool(self._safe_units)

    def note_write(self, now_ns: int, unit: int | None = None) -> bool:
        """Tell the watchdog that a controller has just written outputs of a unit, or of all.

        True when they were at fail-safe.
        """
        units = self._fail_safe if unit is None else (unit,)
        for one in units:
            self._written_at_ns[one] = now_ns
        if self._safe_units.isdisjoint(units):
            return False
        self._safe_units.difference_update(units)
        return True

    def watch(self, now_ns: int) -> bool:
        """Let the watchdog act; True when it has just driven outputs to fail-safe."""
        oldest_ns = now_ns - self.machine.fail_safe_after_ns
        late = [unit for unit, at_ns in self._written_at_ns.items() if at_ns <= oldest_ns]
        for unit in late:
            self._go_fail_safe(unit)
        return bool(late)

    def go_fail_safe(self) -> None:
        """Drive every output to its declared fail-safe value."""
        for unit in self._fail_safe:
            self._go_fail_safe(unit)

    def _go_fail_safe(self, unit: int) -> None:
        for memory, content in self._fail_safe[unit]:
            memory[:] = content
        self._written_at_ns.pop(unit, None)
        self._safe_units.add(unit)

    def step(self) -> None:
        """One plant step: outputs from the bank, physics, inputs into the bank."""
        self._drive(self._to_si(self._read_outputs()))
        self.plant.step()
        self._publish()

    def advance(self, until_ns: int) -> None:
        """Steps up to a time of the plant, while nobody reads or writes the bank in between."""
        self._drive(self._to_si(self._read_outputs()))
        while self._filters is not None and self.plant.now_ns < until_ns:
            self.plant.step()
            self._filters.settle(self._sense(), self.plant.now_ns)
        self.plant.advance(until_ns)
        self._publish()

    def _fail_safe_memory(self) -> dict[int, list[tuple[bytearray, bytes]]]:
        """The output tables of each unit and their content when every output is fail-safe."""
        points = [p for p in self.machine.points.values() if p.role is Role.OUTPUT]
        write = point_writer(self.banks, self.machine, points, Side.FIELD, wired=True)
        write([point.safe_value for point in points])
        found = {}
        for unit in dict.fromkeys(
            card.unit for card in self.machine.cards.values() if not card.kind.is_input
        ):
            bank = self.banks[unit]
            memories = (bank.bits(Table.COILS), bank.registers(Table.HOLDING_REGISTERS))
            found[unit] = [(memory, bytes(memory)) for memory in memories]
        return found

    def _publish(self) -> None:
        sensed: Sequence[Value] = self._sense()
        if self._filters is not None:
            sensed = self._filters.settle(sensed, self.plant.now_ns)
        self._write_inputs(sensed)


Convert = Callable[[Sequence[Value]], Sequence[Value]]


def _wired_points(machine: Machine, role: Role) -> Sequence[Point]:
    """Points of a role that end at a terminal of some equipment; spares do not."""
    return [p for p in machine.points.values() if p.role is role and p.terminal]


def _in_si(points: Sequence[Point]) -> Convert:
    """What turns points' values into those of their terminals, in SI units."""
    numbers = _numbers(points)

    def convert(given: Sequence[Value]) -> Sequence[Value]:
        values: list[Any] = list(given)
        for index, scale, offset in numbers:
            values[index] = values[index] * scale + offset
        return values

    return convert if numbers else _same


def _numbers(points: Sequence[Point]) -> list[tuple[int, float, float]]:
    """Position, scale and offset of each point that has a unit; the others are as they are."""
    return [
        (index, point.si_scale, point.si_offset)
        for index, point in enumerate(points)
        if point.type.kind is Kind.REAL
    ]


def _same(values: Sequence[Value]) -> Sequence[Value]:
    return values
