"""The memory behind a server: four tables, each with the addresses that exist.

Only the extents exist; an address range is valid when it lies wholly inside one of them
after touching extents are joined. Memory runs from address 0 to the end of the last
extent, so an address is its own index.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence

from softctl.modbus.codes import ExceptionCode, Refusal
from softctl.values.tables import Table

ADDRESSES = 65_536
Extent = tuple[int, int]


def merge_extents(extents: Iterable[Extent]) -> list[Extent]:
    """Join overlapping and touching (first, count) extents, in order of address.

    Raises ValueError for an extent that is empty or leaves 0..65535.
    """
    merged: list[Extent] = []
    for first, count in sorted(extents):
        if count < 1 or first < 0 or first + count > ADDRESSES:
            raise ValueError(
                f"expected an extent of 1 or more addresses within 0..{ADDRESSES - 1}, "
                f"got {count} from {first}"
            )
        if merged and first <= sum(merged[-1]):
            last, size = merged[-1]
            merged[-1] = (last, max(size, first + count - last))
        else:
            merged.append((first, count))
    return merged


class Area:
    """One table's memory: `width` bytes per address, 1 for a bit and 2 for a register.

    A bit is a byte of 0 or 1, a register two bytes in big-endian order, as on the wire.
    """

    __slots__ = ("_ends", "_firsts", "extents", "memory", "width")

    def __init__(self, width: int, extents: Iterable[Extent]) -> None:
        self.extents = tuple(merge_extents(extents))
        self.width = width
        self._firsts = [first for first, _ in self.extents]
        self._ends = [first + count for first, count in self.extents]
        self.memory = bytearray((self._ends[-1] if self._ends else 0) * width)

    def covers(self, address: int, count: int) -> bool:
        """True when `count` addresses from `address` all exist, in one merged extent."""
        index = bisect_right(self._firsts, address) - 1
        return index >= 0 and address + count <= self._ends[index]

    def require(self, address: int, count: int) -> None:
        """Raise exception 02 unless the range exists."""
        index = bisect_right(self._firsts, address) - 1
        if index < 0 or address + count > self._ends[index]:
            raise Refusal(ExceptionCode.ILLEGAL_DATA_ADDRESS)

    def read(self, address: int, count: int) -> bytearray:
        """A copy of the range, or exception 02."""
        index = bisect_right(self._firsts, address) - 1
        if index < 0 or address + count > self._ends[index]:
            raise Refusal(ExceptionCode.ILLEGAL_DATA_ADDRESS)
        width = self.width
        return self.memory[address * width : (address + count) * width]

    def write(self, address: int, data: bytes) -> None:
        """Store data of a range that was checked; one assignment, so never half done."""
        start = address * self.width
        self.memory[start : start + len(data)] = data


class Bank:
    """The four tables of one server.

    Args:
        extents: for each table the (first address, count) ranges that exist; a table
            that is left out has none. 0 <= first, first + count <= 65536.

    Raises:
        ValueError: an extent is empty or leaves the address range.
    """

    __slots__ = ("_areas",)

    def __init__(self, extents: Mapping[Table, Sequence[Extent]]) -> None:
        self._areas = {
            table: Area(1 if table.is_bits else 2, extents.get(table, ())) for table in Table
        }

    def area(self, table: Table) -> Area:
        """The memory and the extents of one table."""
        return self._areas[table]

    def bits(self, table: Table) -> bytearray:
        """The memory of a table of bits: one byte per bit, from address 0.

        The owner reads and writes it in place and must not change its length.
        """
        if not table.is_bits:
            raise ValueError(f"expected a table of bits, got {table.value}")
        return self._areas[table].memory

    def registers(self, table: Table) -> bytearray:
        """The memory of a table of registers: two bytes each, big-endian, from address 0.

        The owner reads and writes it in place and must not change its length.
        """
        if table.is_bits:
            raise ValueError(f"expected a table of registers, got {table.value}")
        return self._areas[table].memory

    def covers(self, table: Table, address: int, count: int) -> bool:
        """True when the range exists, so that a request for it is not answered with 02."""
        return self._areas[table].covers(address, count)

    @property
    def extents(self) -> dict[Table, tuple[Extent, ...]]:
        """The merged extents of every table, for planning block requests."""
        return {table: area.extents for table, area in self._areas.items()}
