"""What a client may write on the HMI map, decided before anything changes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from softctl.image.cells import hmi_scaling
from softctl.machine import Machine, Point
from softctl.modbus.codes import ExceptionCode
from softctl.values.registers import decode
from softctl.values.tables import Table

Accepts = Callable[[bytes], bool]
"""Whether the bytes of a value's registers are a value that may be set."""


@dataclass(frozen=True, slots=True)
class _Slot:
    """The registers of one value, or the register of several bits."""

    first: int
    end: int
    accepts: Accepts


class WriteCheck:
    """Judges writes to the points of an HMI map that an HMI may write.

    Exceptions, in the order of the specification's figures (Modbus Application Protocol
    V1.1b3, sections 6.5, 6.6, 6.11 and 6.12: address before value):
    - 02 where there is no point to write, and for a part of a wider value;
    - 04 for a value that its point does not take: outside its range, no number, too long
      a text, a bit that no point has. The specification rules out 03 for that (section 7:
      03 never means a value out of the application's range).
    """

    def __init__(self, machine: Machine, points: Iterable[Point]) -> None:
        self._coils: set[int] = set()
        self._slots: dict[int, _Slot] = {}
        shared: dict[int, int] = {}
        for point in points:
            address = point.hmi
            assert address is not None, f"{point.name} is not on the HMI map"
            if address.table.is_bits:
                self._coils.add(address.address)
            elif address.bit is not None:
                shared[address.address] = shared.get(address.address, 0) | 1 << address.bit
            else:
                self._add(_Slot(address.address, address.end, _value_check(machine, point)))
        for register, mask in shared.items():
            self._add(_Slot(register, register + 1, _bits_check(mask)))

    def __call__(self, table: Table, address: int, data: bytes) -> int | None:
        """None to let a write pass, else the exception code to refuse it with."""
        if table is Table.COILS:
            is_known = self._coils.issuperset(range(address, address + len(data)))
            return None if is_known else ExceptionCode.ILLEGAL_DATA_ADDRESS
        slots = self._slots_of(address, address + len(data) // 2)
        if slots is None:
            return ExceptionCode.ILLEGAL_DATA_ADDRESS
        for slot in slots:
            if not slot.accepts(data[2 * (slot.first - address) : 2 * (slot.end - address)]):
                return ExceptionCode.SERVER_DEVICE_FAILURE
        return None

    def _add(self, slot: _Slot) -> None:
        for address in range(slot.first, slot.end):
            self._slots[address] = slot

    def _slots_of(self, address: int, end: int) -> Sequence[_Slot] | None:
        """The slots that a range is made of, None when it is not made of whole ones."""
        slots = []
        while address < end:
            slot = self._slots.get(address)
            if slot is None or slot.first != address or slot.end > end:
                return None
            slots.append(slot)
            address = slot.end
        return slots


def _bits_check(mask: int) -> Accepts:
    return lambda raw: not int.from_bytes(raw, "big") & ~mask


def _value_check(machine: Machine, point: Point) -> Accepts:
    type_, order, scaling = point.hmi_type, machine.hmi_order(point), hmi_scaling(point)

    def accepts(raw: bytes) -> bool:
        try:
            value = decode(raw, type_, order)
        except ValueError:
            return False
        if isinstance(value, str):
            return True
        if scaling is not None:
            return scaling.is_within(int(value))
        return math.isfinite(value) and _is_within(value, point)

    return accepts


def _is_within(value: float, point: Point) -> bool:
    low, high = point.low, point.high
    return (low is None or value >= low) and (high is None or value <= high)
