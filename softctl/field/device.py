"""The plant seen through its I/O cards."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from softctl.image import Side, extents, point_reader, point_writer
from softctl.machine import Machine, Point, Role, Value
from softctl.modbus.bank import Bank
from softctl.plant import Plant
from softctl.values.tables import Table
from softctl.values.types import Kind


class FieldDevice:
    """Joins a plant to the four tables that a controller reads and writes.

    The cards watch their controller, as remote I/O does: when nobody has written an
    output for `machine.fail_safe_after_ns` of the caller's clock, every output goes to
    its declared fail-safe value and stays there until the next write.
    """

    def __init__(self, machine: Machine, plant: Plant) -> None:
        self.machine = machine
        self.plant = plant
        self.bank = Bank(extents(machine, Side.FIELD))
        inputs = _wired_points(machine, Role.INPUT)
        outputs = _wired_points(machine, Role.OUTPUT)
        self._read_outputs = point_reader(self.bank, machine, outputs, Side.FIELD, wired=False)
        self._write_inputs = point_writer(self.bank, machine, inputs, Side.FIELD, wired=False)
        self._drive = plant.writer([point.terminal for point in outputs])
        self._sense = plant.reader([point.terminal for point in inputs])
        self._from_si = [_from_si(point) for point in inputs]
        self._to_si = [_to_si(point) for point in outputs]
        self._fail_safe = self._fail_safe_memory()
        self._written_at_ns: int | None = None
        self.is_fail_safe = False
        self.go_fail_safe()
        self._publish()

    def note_write(self, now_ns: int) -> None:
        """Tell the watchdog that a controller has just written outputs."""
        self._written_at_ns = now_ns
        self.is_fail_safe = False

    def watch(self, now_ns: int) -> bool:
        """Let the watchdog act; True when it has just driven the outputs to fail-safe."""
        if self.is_fail_safe or self._written_at_ns is None:
            return False
        if now_ns - self._written_at_ns < self.machine.fail_safe_after_ns:
            return False
        self.go_fail_safe()
        return True

    def go_fail_safe(self) -> None:
        """Drive every output to its declared fail-safe value."""
        for memory, content in self._fail_safe:
            memory[:] = content
        self.is_fail_safe = True

    def step(self) -> None:
        """One plant step: outputs from the bank, physics, inputs into the bank."""
        outputs = zip(self._to_si, self._read_outputs(), strict=True)
        self._drive([convert(value) for convert, value in outputs])
        self.plant.step()
        self._publish()

    def _fail_safe_memory(self) -> list[tuple[bytearray, bytes]]:
        """The output tables and their content when every output is at its fail-safe value."""
        points = [p for p in self.machine.points.values() if p.role is Role.OUTPUT]
        write = point_writer(self.bank, self.machine, points, Side.FIELD, wired=True)
        write([point.safe_value for point in points])
        coils = self.bank.bits(Table.COILS)
        registers = self.bank.registers(Table.HOLDING_REGISTERS)
        return [(coils, bytes(coils)), (registers, bytes(registers))]

    def _publish(self) -> None:
        inputs = zip(self._from_si, self._sense(), strict=True)
        self._write_inputs([convert(value) for convert, value in inputs])


Convert = Callable[[Value], Value]


def _wired_points(machine: Machine, role: Role) -> Sequence[Point]:
    """Points of a role that end at a terminal of some equipment; spares do not."""
    return [p for p in machine.points.values() if p.role is role and p.terminal]


def _from_si(point: Point) -> Convert:
    if point.type.kind is not Kind.REAL:
        return _same
    scale, offset = point.si_scale, point.si_offset
    return lambda value: (float(value) - offset) / scale


def _to_si(point: Point) -> Convert:
    if point.type.kind is not Kind.REAL:
        return _same
    scale, offset = point.si_scale, point.si_offset
    return lambda value: float(value) * scale + offset


def _same(value: Value) -> Value:
    return value
