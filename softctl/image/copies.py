"""Readers and writers of many points at once.

A point has one value and up to two places: its channel on an I/O card (field side) and
its place on the HMI map. The field side knows wiring (a contact that is open for TRUE)
and raw counts; the HMI side knows word order. A reader gives a tuple of values in the
order of its points, a writer takes one. A writer touches only what changed.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from enum import Enum
from operator import itemgetter, ne

from softctl.machine import Address, Machine, Point, Value
from softctl.modbus.bank import Bank
from softctl.values.registers import WordOrder, decode, encode
from softctl.values.scaling import Scaling
from softctl.values.tables import Table
from softctl.values.types import Kind, round_to_real

Reader = Callable[[], tuple[Value, ...]]
Writer = Callable[[Sequence[Value]], None]

_INT = struct.Struct(">h")


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

    def order(self, machine: Machine) -> WordOrder:
        """The word order of this side's server."""
        return (machine.field if self is Side.FIELD else machine.hmi).word_order


def extents(machine: Machine, side: Side) -> Mapping[Table, Sequence[tuple[int, int]]]:
    """The address ranges (first, count) that a server of this side answers for.

    On the field side a card answers for all its channels, used or not; on the HMI side
    the map runs from 0 to its last point, so that gaps left for alignment read as 0.
    """
    ranges: dict[Table, list[tuple[int, int]]] = {}
    if side is Side.FIELD:
        for card in machine.cards.values():
            ranges.setdefault(card.table, []).append((card.first, card.channels))
        return ranges
    ends: dict[Table, int] = {}
    for point in machine.points.values():
        if point.hmi is not None:
            end = point.hmi.address + point.hmi.count
            ends[point.hmi.table] = max(end, ends.get(point.hmi.table, 0))
    return {table: [(0, end)] for table, end in ends.items()}


def point_reader(
    bank: Bank, machine: Machine, points: Sequence[Point], side: Side, *, wired: bool
) -> Reader:
    """A function that reads the values of `points` from `bank`.

    `wired` says that the reader stands behind the wiring, as a program does, and sees a
    BOOL point's meaning; without it the electrical state is read, as a terminal has it.
    """
    cells = [_cell(bank, machine, point, side, wired) for point in points]
    if cells and all(cell.is_bit and cell.memory is cells[0].memory for cell in cells):
        return _bits_reader(cells)
    getters = [cell.getter() for cell in cells]
    return lambda: tuple([get() for get in getters])


def point_writer(
    bank: Bank, machine: Machine, points: Sequence[Point], side: Side, *, wired: bool
) -> Writer:
    """A function that writes the values of `points` into `bank`; see `point_reader`."""
    setters = [_cell(bank, machine, point, side, wired).setter() for point in points]
    last: list[Value | None] = [None] * len(setters)

    def write(values: Sequence[Value]) -> None:
        for index, (value, before) in enumerate(zip(values, last, strict=True)):
            if value != before or before is None:
                setters[index](value)
                last[index] = value

    return write


class _Cell:
    """One point in one bank: where its bytes are and how they become a value."""

    __slots__ = ("end", "inverted", "is_bit", "memory", "offset", "order", "scaling", "type")

    def __init__(self, memory: bytearray, point: Point, address: Address, order: WordOrder) -> None:
        self.memory = memory
        self.type = point.type
        self.is_bit = address.table.is_bits
        width = 1 if self.is_bit else 2
        self.offset = width * address.address
        self.end = self.offset + width * address.count
        self.order = order
        self.inverted = False
        self.scaling: Scaling | None = None

    def getter(self) -> Callable[[], Value]:
        memory, offset, inverted = self.memory, self.offset, self.inverted
        if self.is_bit:
            return lambda: (memory[offset] != 0) != inverted
        if self.scaling is not None:
            from_raw, unpack = self.scaling.from_raw, _INT.unpack_from
            if self.type.bits == 32:
                return lambda: round_to_real(from_raw(unpack(memory, offset)[0]))
            return lambda: from_raw(unpack(memory, offset)[0])
        type_, order, end = self.type, self.order, self.end
        return lambda: decode(bytes(memory[offset:end]), type_, order)

    def setter(self) -> Callable[[Value], None]:
        memory, offset, inverted = self.memory, self.offset, self.inverted
        if self.is_bit:

            def set_bit(value: Value) -> None:
                memory[offset] = bool(value) != inverted

            return set_bit
        if self.scaling is not None:
            to_raw, pack = self.scaling.to_raw, _INT.pack_into
            return lambda value: pack(memory, offset, to_raw(float(value)))
        type_, order, end = self.type, self.order, self.end

        def set_registers(value: Value) -> None:
            memory[offset:end] = encode(value, type_, order)

        return set_registers


def _cell(bank: Bank, machine: Machine, point: Point, side: Side, wired: bool) -> _Cell:
    address = side.address(point)
    is_bit = address.table.is_bits
    memory = bank.bits(address.table) if is_bit else bank.registers(address.table)
    cell = _Cell(memory, point, address, side.order(machine))
    cell.inverted = side is Side.FIELD and wired and point.inverted
    if side is Side.FIELD and point.type.kind is Kind.REAL and point.raw is not None:
        assert point.low is not None
        assert point.high is not None
        cell.scaling = Scaling(point.low, point.high, *point.raw)
    return cell


def _bits_reader(cells: Sequence[_Cell]) -> Reader:
    """All bits of one table in three calls into C: at 1,000 points this is what a scan pays."""
    memory = cells[0].memory
    inverted = [cell.inverted for cell in cells]
    if len(cells) == 1:
        offset, invert = cells[0].offset, inverted[0]
        return lambda: ((memory[offset] != 0) != invert,)
    pick = itemgetter(*[cell.offset for cell in cells])
    return lambda: tuple(map(ne, pick(memory), inverted))
