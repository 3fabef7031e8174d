"""Bits as Modbus packs them: the first bit is the lowest of the first byte.

Modbus Application Protocol V1.1b3, sections 6.1 and 6.11. In memory a bit is one byte,
0 or 1; both ways go through a binary numeral, which is linear in the number of bits and
needs no loop in Python.
"""

from __future__ import annotations

_TO_DIGITS = b"0" + b"1" * 255
_FROM_DIGITS = bytes(1 if code == ord("1") else 0 for code in range(256))


def pack_bits(raw: bytes | bytearray) -> bytes:
    """Pack one byte per bit (0, or anything else for 1) into bytes, padded with zeros."""
    if not raw:
        return b""
    return int(raw.translate(_TO_DIGITS)[::-1], 2).to_bytes((len(raw) + 7) // 8, "little")


def unpack_bits(packed: bytes, count: int) -> bytes:
    """Unpack the first `count` bits into one byte each; there must be as many."""
    digits = f"{int.from_bytes(packed, 'little'):0{len(packed) * 8}b}"
    return digits[::-1][:count].encode().translate(_FROM_DIGITS)
