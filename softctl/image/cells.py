"""Where a point's bytes lie in a bank, and how they become its value.

There are three kinds of cells: a bit of a table of bits, a bit of a register, and a number
or text of one or more registers. `struct` knows two byte orders, and the four word orders
are these two, with the bytes of every register swapped or not: ABCD is big-endian, DCBA
little-endian, BADC swapped big-endian and CDAB swapped little-endian.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from softctl.image.sides import Side
from softctl.machine import Machine, Point, Value
from softctl.modbus.bank import Bank
from softctl.values.registers import WordOrder, decode, encode, nearest
from softctl.values.scaling import INT_LIMITS, Scaling
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType

NS_PER_MS = 1_000_000

FromWire = Callable[[Any], Value]
Setter = Callable[[Any], object]

# Types whose wire form struct packs, and refuses when it does not fit.
_CODES = {
    "BYTE": "xB",
    "USINT": "xB",
    "INT": "h",
    "UINT": "H",
    "WORD": "H",
    "DINT": "i",
    "UDINT": "I",
    "DWORD": "I",
    "TIME": "i",
    "LINT": "q",
    "ULINT": "Q",
    "LWORD": "Q",
    "LTIME": "q",
    "REAL": "f",
    "LREAL": "d",
}
_INT = ELEMENTARY_TYPES["INT"]
_SWAPPED = (WordOrder.CDAB, WordOrder.BADC)
_LITTLE = (WordOrder.CDAB, WordOrder.DCBA)


@dataclass(frozen=True, slots=True)
class Cell:
    """One point in one bank.

    `start` and `end` are its bytes in `memory`. `mask` is its bit in the one byte of a BOOL,
    0 for all else, and `shared` says that other bits of that byte are others'. `type` is that
    of what travels, `order` its effective word order, and `scaling` turns its counts into the
    point's value.
    """

    memory: bytearray
    point: Point
    start: int
    end: int
    mask: int = 0
    shared: bool = False
    inverted: bool = False
    type: ElementaryType = _INT
    order: WordOrder = WordOrder.ABCD
    scaling: Scaling | None = None

    @property
    def is_swapped(self) -> bool:
        """Whether the bytes of each register are the other way round than struct has them."""
        return self.end - self.start > 2 and self.order in _SWAPPED and self.is_packed

    @property
    def is_little(self) -> bool:
        """Whether the value is little-endian, after swapping where it is swapped."""
        return self.end - self.start > 2 and self.order in _LITTLE and self.is_packed

    @property
    def is_packed(self) -> bool:
        """Whether struct knows the type; the others go by way of their bytes."""
        return self.type.name in _CODES

    @property
    def code(self) -> str:
        """struct's format of the cell's bytes, without a byte order."""
        return _CODES.get(self.type.name, f"{self.end - self.start}s")

    @property
    def is_real(self) -> bool:
        """Whether the point's value has 32 bits, where it is a real number."""
        return self.point.type.bits == 32

    def from_wire(self) -> FromWire | None:
        """What turns struct's value into the point's, or into its counts; None where it is it."""
        if self.type.name == "TIME":
            return partial(int.__mul__, NS_PER_MS)
        if self.is_packed:
            return None
        type_, order = self.type, self.order
        return lambda raw: decode(raw, type_, order)

    def setter(self) -> Setter:
        """What puts a value into the memory; ValueError and struct.error when it cannot."""
        if self.mask:
            return self._bit_setter()
        if self.scaling is not None:
            put, to_raw = self._packer(), self.scaling.to_raw
            return lambda value: put(to_raw(value))
        if self.type.name == "TIME":
            put = self._packer()
            return lambda value: put((value + NS_PER_MS // 2) // NS_PER_MS)
        if self.is_packed:
            return self._packer()
        memory, start, end, type_, order = self.memory, self.start, self.end, self.type, self.order

        def set_bytes(value: Value) -> None:
            memory[start:end] = encode(value, type_, order)

        return set_bytes

    def nearest(self, value: Value) -> Value:
        """The value nearest to one that the setter refused."""
        return nearest(value, self.type)

    def _bit_setter(self) -> Setter:
        memory, start, inverted = self.memory, self.start, self.inverted
        on, off = self.mask, 0xFF ^ self.mask

        def set_bit(value: Value) -> None:
            if bool(value) is not inverted:
                memory[start] |= on
            else:
                memory[start] &= off

        return set_bit

    def _packer(self) -> Setter:
        form = struct.Struct(("<" if self.is_little else ">") + self.code)
        if not self.is_swapped:
            return partial(form.pack_into, self.memory, self.start)
        # Swapping the bytes of each register is the same as taking the other byte order
        # and reversing the registers, which takes fewer slices.
        memory, start, end = self.memory, self.start, self.end
        pack = struct.Struct((">" if self.is_little else "<") + self.code).pack
        if end - start == 4:

            def set_two(value: Value) -> None:
                raw = pack(value)
                memory[start:end] = raw[2:] + raw[:2]

            return set_two

        def set_four(value: Value) -> None:
            raw = pack(value)
            memory[start:end] = raw[6:] + raw[4:6] + raw[2:4] + raw[:2]

        return set_four


def cell(bank: Bank, machine: Machine, point: Point, side: Side, *, wired: bool) -> Cell:
    """A point's cell on one side.

    Behind the wiring (`wired`) a BOOL has its meaning, before it its electrical state.
    """
    address = side.address(point)
    if address.table.is_bits:
        memory = bank.bits(address.table)
        inverted = side is Side.FIELD and wired and point.inverted
        return Cell(memory, point, address.address, address.end, mask=1, inverted=inverted)
    memory = bank.registers(address.table)
    start, end = 2 * address.address, 2 * address.end
    if address.bit is not None:
        start += address.bit < 8
        return Cell(memory, point, start, start + 1, mask=1 << address.bit % 8, shared=True)
    if side is Side.FIELD:
        return Cell(memory, point, start, end, scaling=_card_scaling(point))
    return Cell(
        memory,
        point,
        start,
        end,
        type=point.hmi_type,
        order=machine.hmi_order(point),
        scaling=hmi_scaling(point),
    )


def hmi_scaling(point: Point) -> Scaling | None:
    """How a point's counts on the HMI map stand for its values, None where they do not."""
    if point.scale is None:
        return None
    type_ = point.scale.type
    return Scaling(*_ends(point), *point.scale.raw, (type_.low, type_.high))


def _card_scaling(point: Point) -> Scaling:
    assert point.raw is not None, f"{point.name} is not on an analog card"
    return Scaling(*_ends(point), *point.raw, INT_LIMITS)


def _ends(point: Point) -> tuple[float, float]:
    assert point.low is not None
    assert point.high is not None
    return point.low, point.high
