"""What an HMI may ask of the controller: its map as a bank, commands in, values out."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from softctl.image import Side, extents, point_reader, point_writer
from softctl.machine import Machine, Point, Role
from softctl.modbus.bank import Bank
from softctl.modbus.codes import ExceptionCode
from softctl.values.registers import decode
from softctl.values.tables import Table


class HmiMap:
    """The bank that an HMI sees, with the points it may write and those it reads.

    Commands and set points live in the bank: an HMI writes them, `take` reads them.
    Everything else is put there by `show`.
    """

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.bank = Bank(extents(machine, Side.HMI))
        self.written = _on_map(machine, Role.COMMAND, Role.SETPOINT)
        self.shown = _on_map(machine, Role.SYSTEM, Role.INPUT, Role.OUTPUT, Role.STATE, Role.STEP)
        point_writer(self.bank, machine, self.written, Side.HMI, wired=True)(
            [point.initial for point in self.written]
        )
        self.take = point_reader(self.bank, machine, self.written, Side.HMI, wired=True)
        self.show = point_writer(self.bank, machine, self.shown, Side.HMI, wired=True)
        self._momentary = _coil_addresses(self.written)
        self._set_points = _ranges(machine, self.written)

    def release_commands(self) -> None:
        """Clear every momentary command: the scan that saw it has acted on it, once."""
        coils = self.bank.bits(Table.COILS)
        for address in self._momentary:
            coils[address] = 0

    def check_write(self, table: Table, address: int, data: bytes) -> int | None:
        """Judge a write before anything changes: None to let it pass, else an exception code.

        Half of a wider value is refused with 02. A set point outside its declared range
        is refused with 04, since the specification rules out 03 for that (Modbus
        Application Protocol V1.1b3, section 7: 03 never means a value out of the
        application's range).
        """
        if table is not Table.HOLDING_REGISTERS:
            return None
        end = address + len(data) // 2
        for first, last, check in self._set_points:
            if last <= address or first >= end:
                continue
            if first < address or last > end:
                return ExceptionCode.ILLEGAL_DATA_ADDRESS
            if not check(data[2 * (first - address) : 2 * (last - address)]):
                return ExceptionCode.SERVER_DEVICE_FAILURE
        return None


def _on_map(machine: Machine, *roles: Role) -> list[Point]:
    return [p for p in machine.points.values() if p.role in roles and p.hmi is not None]


def _coil_addresses(points: Sequence[Point]) -> list[int]:
    return [
        point.hmi.address
        for point in points
        if point.role is Role.COMMAND and not point.hold and point.hmi is not None
    ]


def _ranges(
    machine: Machine, points: Sequence[Point]
) -> list[tuple[int, int, Callable[[bytes], bool]]]:
    """First address, address after the last, and the check of every register set point."""
    ranges = []
    for point in points:
        if point.hmi is not None and point.hmi.table is Table.HOLDING_REGISTERS:
            first = point.hmi.address
            ranges.append((first, first + point.hmi.count, _range_check(machine, point)))
    return ranges


def _range_check(machine: Machine, point: Point) -> Callable[[bytes], bool]:
    type_, order, low, high = point.type, machine.hmi.word_order, point.low, point.high

    def check(raw: bytes) -> bool:
        value = decode(raw, type_, order)
        assert not isinstance(value, str)
        return (low is None or value >= low) and (high is None or value <= high)

    return check
