"""What an HMI may ask of the controller: its map as a bank, commands in, values out."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence

from softctl.errors import SoftctlError
from softctl.image import Side, WriteCheck, extents, point_reader, point_setter, point_writer
from softctl.machine import Machine, Point, Role, Value
from softctl.modbus.bank import Bank
from softctl.values.types import Kind


class HmiMap:
    """The bank that an HMI sees, with the points it may write and those it reads.

    Commands and set points live in the bank: an HMI writes them, `take` reads them.
    Everything else is put there by `show`.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.bank = Bank(extents(machine, Side.HMI))
        self.written = _on_map(machine, Role.COMMAND, Role.SETPOINT)
        self.shown = _on_map(machine, *(role for role in Role if not role.is_written_by_hmi))
        point_writer(self.bank, machine, self.written, Side.HMI, wired=True)(
            [point.initial for point in self.written]
        )
        self.take = point_reader(self.bank, machine, self.written, Side.HMI, wired=True)
        self.show = point_writer(self.bank, machine, self.shown, Side.HMI, wired=True)
        self.check_write = WriteCheck(machine, self.written)
        self._setters = {
            point.name: point_setter(self.bank, machine, point, Side.HMI) for point in self.written
        }
        self._commands = {
            point.name: self._setters[point.name]
            for point in self.written
            if point.role is Role.COMMAND
        }
        self._momentary = [
            (index, self._commands[point.name])
            for index, point in enumerate(self.written)
            if _is_momentary(point)
        ]
        self._seen: Sequence[Value] = ()
        self._pressed: list[Callable[[Value], object]] = []

    def require_commands(self, names: Sequence[str]) -> None:
        """Raise SoftctlError unless every name is one of the machine's commands."""
        known = ", ".join(self._commands) or "none"
        for name in names:
            if name not in self._commands:
                raise SoftctlError(f"expected a command ({known}), got {name}")

    def give(self, names: Sequence[str]) -> None:
        """Set commands as an HMI does; raises SoftctlError for a name that is none."""
        self.require_commands(names)
        for name in names:
            self._commands[name](True)

    def put(self, name: str, value: Value) -> None:
        """Write a command or set point as an HMI does; the value has to fit its range.

        Raises SoftctlError for a name that is neither.
        """
        setter = self._setters.get(name)
        if setter is None:
            known = ", ".join(self._setters) or "none"
            raise SoftctlError(f"expected a command or set point ({known}), got {name}")
        setter(value)

    def write(self, name: str, value: Value) -> Value:
        """Put a value that a person gave, as far as its point takes it; what was put.

        Raises SoftctlError for any other name, type or value.
        """
        point = next((one for one in self.written if one.name == name), None)
        if point is None:
            known = ", ".join(self._setters) or "none"
            raise SoftctlError(f"expected a command or set point ({known}), got {name}")
        fitting = _fitting(point, value)
        try:
            self.put(name, fitting)
        except (ValueError, struct.error):
            raise SoftctlError(f"expected {_expected(point)} for {name}, got {value}") from None
        return fitting

    def release_commands(self, seen: Sequence[Value]) -> None:
        """Clear every momentary command that a scan saw, by what it took: it acted on it, once."""
        if seen is not self._seen:
            self._seen = seen
            self._pressed = [put for index, put in self._momentary if seen[index]]
        for put in self._pressed:
            put(False)


def _on_map(machine: Machine, *roles: Role) -> list[Point]:
    return [p for p in machine.points.values() if p.role in roles and p.hmi is not None]


def _fitting(point: Point, value: Value) -> Value:
    """The value in the type of its point; raises SoftctlError where it does not fit."""
    kind = point.type.kind
    if kind in (Kind.STRING, Kind.BOOL):
        if isinstance(value, str if kind is Kind.STRING else bool):
            return value
    elif isinstance(value, int | float) and not isinstance(value, bool):
        number = float(value)
        if math.isfinite(number) and _is_within(number, point):
            if kind is Kind.REAL:
                return number
            if number.is_integer():
                return int(value)
    raise SoftctlError(f"expected {_expected(point)} for {point.name}, got {value}")


def _is_within(value: float, point: Point) -> bool:
    low, high = point.low, point.high
    return (low is None or value >= low) and (high is None or value <= high)


def _expected(point: Point) -> str:
    if point.type.kind is Kind.BOOL:
        return "TRUE or FALSE"
    limits = "" if point.low is None else f" from {point.low} to {point.high}"
    return f"a value of type {point.type}{limits} {point.unit}".rstrip()


def _is_momentary(point: Point) -> bool:
    return point.role is Role.COMMAND and not point.hold
