"""Request PDUs, right and wrong ones: nothing is checked, every field may be overridden.

Modbus Application Protocol V1.1b3, section 6; the order of fields is the tables' there.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence


def read(function: int, address: int, quantity: int) -> bytes:
    """Functions 01 to 04."""
    return struct.pack(">BHH", function, address, quantity)


def write_coil(address: int, value: int) -> bytes:
    """Function 05; `value` FF00 is on and 0000 off."""
    return struct.pack(">BHH", 0x05, address, value)


def write_register(address: int, value: int) -> bytes:
    """Function 06."""
    return struct.pack(">BHH", 0x06, address, value)


def write_coils(
    address: int,
    bits: Sequence[int],
    *,
    quantity: int | None = None,
    byte_count: int | None = None,
    data: bytes | None = None,
) -> bytes:
    """Function 15; what is not overridden follows from `bits`."""
    packed = pack_bits(bits) if data is None else data
    count = len(packed) if byte_count is None else byte_count
    head = struct.pack(">BHHB", 0x0F, address, len(bits) if quantity is None else quantity, count)
    return head + packed


def write_registers(
    address: int,
    values: Sequence[int],
    *,
    quantity: int | None = None,
    byte_count: int | None = None,
    data: bytes | None = None,
) -> bytes:
    """Function 16; what is not overridden follows from `values`."""
    raw = pack_registers(values) if data is None else data
    count = len(raw) if byte_count is None else byte_count
    head = struct.pack(">BHHB", 0x10, address, len(values) if quantity is None else quantity, count)
    return head + raw


def mask_write(address: int, and_mask: int, or_mask: int) -> bytes:
    """Function 22."""
    return struct.pack(">BHHH", 0x16, address, and_mask, or_mask)


def read_write(
    read_address: int,
    read_quantity: int,
    write_address: int,
    values: Sequence[int],
    *,
    quantity: int | None = None,
    byte_count: int | None = None,
    data: bytes | None = None,
) -> bytes:
    """Function 23; what is not overridden follows from `values`."""
    raw = pack_registers(values) if data is None else data
    head = struct.pack(
        ">BHHHHB",
        0x17,
        read_address,
        read_quantity,
        write_address,
        len(values) if quantity is None else quantity,
        len(raw) if byte_count is None else byte_count,
    )
    return head + raw


def diagnostics(sub_function: int, data: bytes = b"\0\0") -> bytes:
    """Function 08."""
    return struct.pack(">BH", 0x08, sub_function) + data


def read_record(
    file: int, record: int, length: int, *, reference: int = 6, byte_count: int = 7
) -> bytes:
    """Function 20 with one group."""
    return struct.pack(">BBBHHH", 0x14, byte_count, reference, file, record, length)


def write_record(
    file: int,
    record: int,
    values: Sequence[int],
    *,
    reference: int = 6,
    length: int | None = None,
    byte_count: int | None = None,
) -> bytes:
    """Function 21 with one group."""
    raw = pack_registers(values)
    group = struct.pack(">BHHH", reference, file, record, len(values) if length is None else length)
    size = len(group) + len(raw) if byte_count is None else byte_count
    return struct.pack(">BB", 0x15, size) + group + raw


def read_fifo(address: int) -> bytes:
    """Function 24."""
    return struct.pack(">BH", 0x18, address)


def identification(code: int, object_id: int) -> bytes:
    """Function 43, MEI type 14."""
    return bytes((0x2B, 0x0E, code, object_id))


def pack_bits(bits: Sequence[int]) -> bytes:
    """Bits as the protocol packs them: the first one is the lowest of the first byte."""
    packed = bytearray((len(bits) + 7) // 8)
    for index, bit in enumerate(bits):
        packed[index // 8] |= (1 if bit else 0) << index % 8
    return bytes(packed)


def pack_registers(values: Sequence[int]) -> bytes:
    """Registers, high byte first."""
    return struct.pack(f">{len(values)}H", *values)
