"""The elementary types of IEC 61131-3 (third edition, table 10).

Python holds BOOL as bool, integers and bit strings as int, REAL (already rounded to
binary32) and LREAL as float, STRING and WSTRING as str. TIME, LTIME and the date and
time-of-day types are int nanoseconds: a duration, or the time since 1970-01-01 or
midnight.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from enum import Enum


class Kind(Enum):
    """The family of an elementary type."""

    BOOL = "BOOL"
    BITS = "bit string"
    SIGNED = "signed integer"
    UNSIGNED = "unsigned integer"
    REAL = "real"
    DURATION = "duration"
    DATE = "date or time of day"
    STRING = "string"


@dataclass(frozen=True, slots=True)
class ElementaryType:
    """One elementary type; `low` and `high` are its inclusive limits where it is whole-numbered."""

    name: str
    kind: Kind
    bits: int

    @property
    def is_integer(self) -> bool:
        """True for ANY_INT."""
        return self.kind in (Kind.SIGNED, Kind.UNSIGNED)

    @property
    def is_numeric(self) -> bool:
        """True for ANY_NUM."""
        return self.is_integer or self.kind is Kind.REAL

    @property
    def low(self) -> int:
        """The least whole number the type holds."""
        signed = self.kind in (Kind.SIGNED, Kind.DURATION, Kind.DATE)
        return -(1 << (self.bits - 1)) if signed else 0

    @property
    def high(self) -> int:
        """The greatest whole number the type holds."""
        signed = self.kind in (Kind.SIGNED, Kind.DURATION, Kind.DATE)
        return (1 << (self.bits - 1)) - 1 if signed else (1 << self.bits) - 1

    def __str__(self) -> str:
        return self.name


def _types(kind: Kind, **bits: int) -> list[ElementaryType]:
    return [ElementaryType(name, kind, size) for name, size in bits.items()]


ELEMENTARY_TYPES: dict[str, ElementaryType] = {
    type_.name: type_
    for type_ in [
        *_types(Kind.BOOL, BOOL=1),
        *_types(Kind.BITS, BYTE=8, WORD=16, DWORD=32, LWORD=64),
        *_types(Kind.SIGNED, SINT=8, INT=16, DINT=32, LINT=64),
        *_types(Kind.UNSIGNED, USINT=8, UINT=16, UDINT=32, ULINT=64),
        *_types(Kind.REAL, REAL=32, LREAL=64),
        *_types(Kind.DURATION, TIME=64, LTIME=64),
        *_types(Kind.DATE, DATE=64, LDATE=64, TOD=64, LTOD=64, DT=64, LDT=64),
        *_types(Kind.STRING, CHAR=8, WCHAR=16, STRING=0, WSTRING=0),
    ]
}
"""Every elementary type by its (short) keyword; the long forms are aliases in the lexer."""


def round_to_real(value: float) -> float:
    """Round to IEEE 754 binary32; beyond its range gives an infinity, never an error."""
    return array("f", (value,))[0]


_DOUBLE_BITS = 53


def whole_to_real(value: int) -> float:
    """The binary32 nearest to a whole number, ties to even; beyond its range an infinity.

    A way through binary64 would round twice. Whatever binary64 cannot hold is cut to its 53
    bits with the last bit set ("rounded to odd"): that keeps the number on its side of every
    tie, since 53 bits are more than two beyond the 24 of binary32.
    """
    excess = value.bit_length() - _DOUBLE_BITS
    if excess > 0:
        size = abs(value)
        top = size >> excess
        if top << excess != size:
            top |= 1
        if excess > 1024 - _DOUBLE_BITS:
            return float("-inf") if value < 0 else float("inf")
        value = -(top << excess) if value < 0 else top << excess
    return round_to_real(float(value))
