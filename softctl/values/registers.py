"""IEC values in Modbus registers.

The Modbus Application Protocol V1.1b3, section 4.2, orders the two bytes of one register
(high byte first) and nothing wider, so the order of wider values is a setting. A value
that fits one register therefore has the same bytes in every word order.
"""

from __future__ import annotations

import math
import struct
from enum import Enum
from typing import Final

from softctl.values.texts import decode_text, encode_text, nearest_text
from softctl.values.types import ElementaryType, Kind

RegisterValue = int | float | str

_NS_PER_MS: Final = 1_000_000
_NS_PER_DAY: Final = 86_400_000_000_000
_REAL_MAX: Final = struct.unpack(">f", b"\x7f\x7f\xff\xff")[0]
_LREAL_MAX: Final = math.ldexp(1 - 2**-53, 1024)


class WordOrder(Enum):
    """How the bytes of a value lie in consecutive registers; A is the most significant.

    Wider values follow the same rule: CDAB reverses the registers, BADC the bytes inside
    each register, DCBA both.
    """

    ABCD = "ABCD"
    CDAB = "CDAB"
    BADC = "BADC"
    DCBA = "DCBA"


def register_count(type_: ElementaryType) -> int:
    """The number of registers that a value of the type takes: 1, 2, 4, or a text's.

    A TIME takes two, as a signed count of milliseconds. Raises ValueError for a type
    that has no register form (BOOL, and STRING and WSTRING without a length).
    """
    if type_.name == "TIME":
        return 2
    if type_.kind is Kind.BOOL or type_.bits == 0:
        raise ValueError(f"expected a type that fits registers, got {type_.name}")
    return -(-type_.bits // 16)


def register_limits(type_: ElementaryType) -> tuple[int, int]:
    """The least and greatest whole number of a type that registers hold, both inclusive.

    A TIME's are nanoseconds: it travels as a signed 32-bit count of milliseconds. Dates
    travel unsigned and so start at zero; a time of day ends before 24 h.
    """
    if type_.name == "TIME":
        return -(1 << 31) * _NS_PER_MS, ((1 << 31) - 1) * _NS_PER_MS
    if type_.name in ("TOD", "LTOD"):
        return 0, _NS_PER_DAY - 1
    return (0 if type_.kind is Kind.DATE else type_.low), type_.high


def nearest(value: RegisterValue, type_: ElementaryType) -> RegisterValue:
    """The value nearest to `value` that the type's registers hold.

    So a program's value always has something to show: a number beyond the limits is the
    limit, or an infinity where the type has one, and a text is cut.
    """
    if isinstance(value, str):
        return nearest_text(value, type_)
    if type_.kind is Kind.REAL:
        limit = _REAL_MAX if type_.bits == 32 else _LREAL_MAX
        return math.copysign(math.inf, value) if abs(value) > limit else float(value)
    low, high = register_limits(type_)
    if value != value:
        return low
    value = int(min(max(value, low), high))
    return value // _NS_PER_DAY * _NS_PER_DAY if _is_day(type_) else value


def encode(value: RegisterValue, type_: ElementaryType, order: WordOrder) -> bytes:
    """The bytes of a value, two for each register, ready for the wire.

    A TIME is rounded to the nearest millisecond, an 8-bit value keeps its sign in 16
    bits. The registers of a text keep their order: BADC and DCBA put its first character
    into the low byte, ABCD and CDAB into the high one. Raises ValueError for a value that
    the type does not hold.
    """
    count = register_count(type_)
    if isinstance(value, str):
        if type_.kind is not Kind.STRING:
            raise ValueError(f"expected {_a(type_.name)}, got {value!a}")
        return encode_text(value, type_, low_byte_first=is_low_byte_first(order))
    if type_.kind is Kind.STRING:
        raise ValueError(f"expected {_a(type_.name)}, got {value}")
    if type_.kind is Kind.REAL:
        return _arrange(_encode_real(value, type_), order)
    low, high = register_limits(type_)
    if isinstance(value, float) or not low <= value <= high:
        raise ValueError(f"expected {_a(type_.name)} from {low} to {high}, got {value}")
    _require_day(value, type_)
    if type_.name == "TIME":
        value = (value + _NS_PER_MS // 2) // _NS_PER_MS
    return _arrange(value.to_bytes(2 * count, "big", signed=value < 0), order)


def decode(raw: bytes, type_: ElementaryType, order: WordOrder) -> RegisterValue:
    """The value in the bytes of its registers, the inverse of `encode`.

    Raises ValueError for a wrong number of bytes and for registers that hold what the
    type does not, such as 300 in a USINT.
    """
    count = register_count(type_)
    if len(raw) != 2 * count:
        raise ValueError(f"expected {2 * count} bytes for {_a(type_.name)}, got {len(raw)}")
    if type_.kind is Kind.STRING:
        return decode_text(raw, type_, low_byte_first=is_low_byte_first(order))
    raw = _arrange(raw, order)
    if type_.kind is Kind.REAL:
        real: float = struct.unpack(_FORMATS[type_.bits], raw)[0]
        return real
    value = int.from_bytes(raw, "big", signed=type_.kind in (Kind.SIGNED, Kind.DURATION))
    if type_.name == "TIME":
        value *= _NS_PER_MS
    low, high = register_limits(type_)
    if not low <= value <= high:
        raise ValueError(f"expected {_a(type_.name)} from {low} to {high}, got {value}")
    _require_day(value, type_)
    return value


def is_low_byte_first(order: WordOrder) -> bool:
    """True for the orders that swap the two bytes of each register."""
    return order in (WordOrder.BADC, WordOrder.DCBA)


def _is_day(type_: ElementaryType) -> bool:
    return type_.name in ("DATE", "LDATE")


def _require_day(value: int, type_: ElementaryType) -> None:
    if value % _NS_PER_DAY and _is_day(type_):
        raise ValueError(f"expected {_a(type_.name)} at midnight, got {value} ns")


_FORMATS: Final = {32: ">f", 64: ">d"}


def _encode_real(value: int | float, type_: ElementaryType) -> bytes:
    try:
        return struct.pack(_FORMATS[type_.bits], value)
    except (OverflowError, struct.error):
        limit = _REAL_MAX if type_.bits == 32 else _LREAL_MAX
        raise ValueError(
            f"expected {_a(type_.name)} from {-limit:.6g} to {limit:.6g}, got {value}"
        ) from None


def _arrange(raw: bytes, order: WordOrder) -> bytes:
    """Bytes from big-endian to `order`, and back: each order undoes itself."""
    if len(raw) == 2 or order is WordOrder.ABCD:
        return raw
    if order is WordOrder.DCBA:
        return raw[::-1]
    words = [raw[i : i + 2] for i in range(0, len(raw), 2)]
    if order is WordOrder.CDAB:
        return b"".join(reversed(words))
    return b"".join(word[::-1] for word in words)


def _a(name: str) -> str:
    """The name with its article, so that messages read as English."""
    spoken_vowel = name[0] in "AEIOL"
    return f"{'an' if spoken_vowel else 'a'} {name}"
