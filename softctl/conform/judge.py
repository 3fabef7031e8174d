"""Judgements on reply PDUs: return what they carry, or raise `Unmet`."""

from __future__ import annotations

import struct

from softctl.conform.steps import Unmet
from softctl.conform.wire import hex_text

EXCEPTIONS = {
    0x01: "illegal function",
    0x02: "illegal data address",
    0x03: "illegal data value",
    0x04: "server device failure",
    0x05: "acknowledge",
    0x06: "server device busy",
    0x08: "memory parity error",
    0x0A: "gateway path unavailable",
    0x0B: "gateway target device failed to respond",
}
"""The exception codes (Modbus Application Protocol V1.1b3, section 7)."""


def exception_text(code: int) -> str:
    """A code with its name."""
    return f"exception {code:02X} ({EXCEPTIONS.get(code, 'not in the specification')})"


def describe(pdu: bytes) -> str:
    """A reply PDU in words and hex."""
    if len(pdu) == 2 and pdu[0] & 0x80:
        return f"{exception_text(pdu[1])}: {hex_text(pdu)}"
    return f"the reply {hex_text(pdu)}"


def is_exception(pdu: bytes, code: int | None = None) -> bool:
    """Whether the PDU is an exception reply, of this code if one is given."""
    return len(pdu) == 2 and pdu[0] >= 0x80 and code in (None, pdu[1])


def require_exception(pdu: bytes, function: int, *codes: int) -> None:
    """The function with its top bit set, then one of the codes, and nothing else."""
    if any(pdu == bytes((function | 0x80, code)) for code in codes):
        return
    wanted = " or ".join(exception_text(code) for code in codes)
    reply = " or ".join(hex_text(bytes((function | 0x80, code))) for code in codes)
    raise Unmet(f"{wanted}: {reply}", describe(pdu))


def require_echo(pdu: bytes, expected: bytes) -> None:
    """A reply that is known byte for byte."""
    if pdu != expected:
        raise Unmet(f"the reply {hex_text(expected)}", describe(pdu))


def require_registers(pdu: bytes, function: int, count: int) -> list[int]:
    """Function, byte count 2n, n registers."""
    size = 2 * count
    if len(pdu) != 2 + size or pdu[0] != function or pdu[1] != size:
        raise Unmet(
            f"function {function:02X}, byte count {size:02X} and {count} registers", describe(pdu)
        )
    return list(struct.unpack(f">{count}H", pdu[2:]))


def require_bits(pdu: bytes, function: int, count: int) -> list[int]:
    """Function, byte count, and the bits; what pads the last byte is not looked at."""
    size = (count + 7) // 8
    if len(pdu) != 2 + size or pdu[0] != function or pdu[1] != size:
        raise Unmet(
            f"function {function:02X}, byte count {size:02X} and {count} bits in {size} bytes",
            describe(pdu),
        )
    return [pdu[2 + index // 8] >> index % 8 & 1 for index in range(count)]


def require_padding(pdu: bytes, count: int) -> None:
    """The bits after the last one asked for are zero (section 6.1)."""
    if count % 8 and pdu[-1] >> count % 8:
        raise Unmet(f"zeros after bit {count % 8 - 1} of the last byte", describe(pdu))


def require_counted(pdu: bytes, function: int) -> bytes:
    """Function, byte count and that many bytes, which are returned."""
    if len(pdu) < 2 or pdu[0] != function or pdu[1] != len(pdu) - 2:
        raise Unmet(
            f"function {function:02X}, a byte count and as many bytes as it says", describe(pdu)
        )
    return pdu[2:]


def require_size(pdu: bytes, function: int, size: int) -> bytes:
    """Function and `size` bytes, which are returned."""
    if len(pdu) != 1 + size or pdu[0] != function:
        raise Unmet(f"function {function:02X} and {size} bytes", describe(pdu))
    return pdu[1:]


def require_values(got: list[int], expected: list[int], what: str) -> None:
    """Values read back are the ones expected; names the first that differs."""
    if got == expected:
        return
    index = next(i for i, pair in enumerate(zip(got, expected, strict=True)) if pair[0] != pair[1])
    raise Unmet(f"{what} number {index} to be {expected[index]:04X}", f"{got[index]:04X}")
