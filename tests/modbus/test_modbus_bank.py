"""The memory of the four tables and the packing of bits."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from softctl.modbus import Bank, Refusal
from softctl.modbus.bank import merge_extents
from softctl.modbus.bits import pack_bits, unpack_bits
from softctl.values.tables import Table


def test_memory_reaches_from_zero_to_the_end_of_the_last_extent() -> None:
    """An address is its own index: one byte a bit, two bytes a register."""
    bank = Bank({Table.COILS: [(16, 4)], Table.INPUT_REGISTERS: [(2, 3), (10, 1)]})
    assert len(bank.bits(Table.COILS)) == 20
    assert len(bank.registers(Table.INPUT_REGISTERS)) == 22
    assert bank.bits(Table.DISCRETE_INPUTS) == b""
    bank.registers(Table.INPUT_REGISTERS)[20:22] = b"\xbe\xef"
    assert bank.area(Table.INPUT_REGISTERS).read(10, 1) == b"\xbe\xef"


def test_the_wrong_kind_of_memory_is_refused() -> None:
    """Bits are not registers, and the message says which table was asked for."""
    bank = Bank({})
    with pytest.raises(ValueError, match="table of bits, got input registers"):
        bank.bits(Table.INPUT_REGISTERS)
    with pytest.raises(ValueError, match="table of registers, got coils"):
        bank.registers(Table.COILS)


@given(
    st.lists(st.tuples(st.integers(0, 60), st.integers(1, 20)), max_size=6),
    st.integers(0, 90),
    st.integers(1, 30),
)
def test_a_range_exists_when_one_merged_extent_holds_it(
    extents: list[tuple[int, int]], address: int, count: int
) -> None:
    """`covers`, `require` and `read` agree with a set of the addresses that exist."""
    exists = {a for first, size in extents for a in range(first, first + size)}
    expected = all(a in exists for a in range(address, address + count))
    bank = Bank({Table.COILS: extents})
    area = bank.area(Table.COILS)
    assert bank.covers(Table.COILS, address, count) is expected
    if expected:
        area.require(address, count)
        assert len(area.read(address, count)) == count
    else:
        with pytest.raises(Refusal):
            area.require(address, count)
        with pytest.raises(Refusal):
            area.read(address, count)


def test_touching_extents_are_one() -> None:
    """Extents that touch or overlap are joined; a gap keeps them apart."""
    assert merge_extents([(8, 8), (0, 8), (4, 2), (20, 1)]) == [(0, 16), (20, 1)]


@pytest.mark.parametrize("extent", [(-1, 2), (0, 0), (65535, 2), (65536, 1)])
def test_an_extent_outside_the_address_range_is_refused(extent: tuple[int, int]) -> None:
    """Addresses are 0..65535 and an extent is not empty."""
    with pytest.raises(ValueError, match=r"0\.\.65535"):
        Bank({Table.COILS: [extent]})


@given(st.lists(st.booleans(), max_size=2000))
def test_bits_are_packed_lowest_first(bits: list[bool]) -> None:
    """Section 6.1: the first bit is the lowest of the first byte, the rest is zeros."""
    raw = bytes(bits)
    packed = pack_bits(raw)
    expected = bytearray((len(bits) + 7) // 8)
    for index, bit in enumerate(bits):
        expected[index // 8] |= bit << index % 8
    assert packed == expected
    assert unpack_bits(packed, len(bits)) == raw


def test_any_byte_but_zero_is_a_one() -> None:
    """An owner that stores a truth value other than 1 is still read as on."""
    assert pack_bits(b"\x00\x02\xff\x01") == b"\x0e"
