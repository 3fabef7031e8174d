"""What generated Python calls for strings, texts of values, BCD and byte order."""

from __future__ import annotations

import math
import struct
from datetime import UTC, datetime, timedelta
from typing import Any

from softctl.logic import literals
from softctl.logic.python_fault import ScanFault
from softctl.values.types import ELEMENTARY_TYPES, Kind, round_to_real

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND_NS = 1_000_000_000
_DAY_NS = 86_400 * _SECOND_NS

# Strings: positions count from 1 (IEC 61131-3 table 35).


def text_mid(text: str, length: int, position: int) -> str:
    """MID."""
    _check_position(position, length)
    return text[position - 1 : position - 1 + length]


def text_right(text: str, length: int) -> str:
    """RIGHT."""
    _check_position(1, length)
    return text[max(0, len(text) - length) :]


def text_left(text: str, length: int) -> str:
    """LEFT."""
    _check_position(1, length)
    return text[:length]


def text_delete(text: str, length: int, position: int) -> str:
    """DELETE."""
    _check_position(position, length)
    return text[: position - 1] + text[position - 1 + length :]


def text_insert(text: str, other: str, position: int) -> str:
    """INSERT behind a position."""
    _check_position(position + 1, 0)
    return text[:position] + other + text[position:]


def text_replace(text: str, other: str, length: int, position: int) -> str:
    """REPLACE."""
    _check_position(position, length)
    return text[: position - 1] + other + text[position - 1 + length :]


def _check_position(position: int, length: int) -> None:
    if position < 1 or length < 0:
        raise ScanFault(
            f"expected a position from 1 and a length from 0, got {position} and {length}"
        )


def text_too_long(text: str, length: int) -> str:
    """Raise: the text is longer than its variable."""
    raise ScanFault(f"expected at most {length} characters, got {len(text)}: {text[:20]!r}")


def text_at(text: str, position: int, limit: int) -> str:
    """The character at a position of a string; beyond its end it is $00."""
    if not 1 <= position <= limit:
        raise ScanFault(f"expected a position between 1 and {limit}, got {position}")
    return text[position - 1] if position <= len(text) else "\0"


def first_character(text: str, limit: int) -> str:
    """The first character of a string, as wide as a CHAR or WCHAR; $00 if there is none."""
    return chr(ord(text[0]) & limit) if text else "\0"


def text_with(text: str, position: int, character: str, limit: int) -> str:
    """The string with another character at a position, at most one beyond its end."""
    end = min(limit, len(text) + 1)
    if not 1 <= position <= end:
        raise ScanFault(f"expected a position between 1 and {end}, got {position}")
    return text[: position - 1] + character + text[position:]


# Texts of values: what a literal of the type looks like


def real_text(value: float) -> str:
    """The shortest text that gives this REAL again."""
    for digits in range(1, 10):
        text = f"{value:.{digits}g}"
        if round_to_real(float(text)) == value:
            return lreal_text(float(text))
    return lreal_text(value)


def lreal_text(value: float) -> str:
    """The shortest text that gives this LREAL again."""
    if not math.isfinite(value):
        return str(value)
    mantissa, mark, exponent = repr(value).partition("e")
    if not mark:
        return mantissa
    if "." not in mantissa:
        mantissa += ".0"
    return f"{mantissa}E{int(exponent)}"


def clock_text(value_ns: int) -> str:
    """`15:36:55.36`."""
    seconds, rest = divmod(value_ns % _DAY_NS, _SECOND_NS)
    fraction = f".{rest:09d}".rstrip("0") if rest else ""
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{fraction}"


def date_text(value_ns: int) -> str:
    """`1984-06-25`."""
    try:
        return (_EPOCH + timedelta(days=value_ns // _DAY_NS)).strftime("%Y-%m-%d")
    except OverflowError:
        raise ScanFault(f"expected a date until the year 9999, got {value_ns} ns") from None


def value_text(value: Any, name: str) -> str:
    """The literal of a value of the named type."""
    if name == "BOOL":
        return "TRUE" if value else "FALSE"
    if name in ("REAL", "LREAL"):
        return real_text(value) if name == "REAL" else lreal_text(value)
    if name in ("TIME", "LTIME"):
        text = literals.duration_text(value)
        return text if name == "TIME" else f"L{name[1:]}{text[1:]}"
    if name in ("DATE", "LDATE"):
        return f"{'L' if name[0] == 'L' else ''}D#{date_text(value)}"
    if name in ("TOD", "LTOD"):
        return f"{name}#{clock_text(value)}"
    if name in ("DT", "LDT"):
        return f"{name}#{date_text(value)}-{clock_text(value)}"
    return str(value)


_TRUTHS = {"TRUE": True, "FALSE": False, "1": True, "0": False}
_PARSERS = {
    "TIME": literals.parse_duration,
    "DATE": literals.parse_date,
    "TOD": literals.parse_clock,
    "DT": literals.parse_date_and_time,
}


def value_of(text: str, name: str) -> Any:
    """The value that a text stands for; anything else than a literal is a fault."""
    type_ = ELEMENTARY_TYPES[name]
    body = text.strip()
    try:
        value = _parsed(body, name)
    except ValueError:
        a = "an" if name[0] in "AEIO" else "a"
        raise ScanFault(f"expected a text that is {a} {name}, got {text[:40]!r}") from None
    if (
        isinstance(value, int)
        and type_.kind is not Kind.BOOL
        and (not type_.low <= value <= type_.high)
    ):
        raise ScanFault(f"expected a {name} ({type_.low} to {type_.high}), got {text[:40]!r}")
    return value


def _parsed(body: str, name: str) -> Any:
    type_ = ELEMENTARY_TYPES[name]
    if type_.kind is Kind.BOOL:
        if body.upper() not in _TRUTHS:
            raise ValueError
        return _TRUTHS[body.upper()]
    if type_.kind is Kind.REAL:
        value = literals.parse_real(body)
        return round_to_real(value) if name == "REAL" else value
    if type_.kind in (Kind.DURATION, Kind.DATE):
        return _PARSERS[name.removeprefix("L")](body.rpartition("#")[2])
    return literals.parse_integer(body)


# Bits


def to_bcd(value: int, bits: int) -> int:
    """A number as binary-coded decimal digits, four bits each."""
    digits = bits // 4
    if not 0 <= value < 10**digits:
        raise ScanFault(f"expected a number of up to {digits} digits for BCD, got {value}")
    return int(str(value), 16)


def from_bcd(value: int) -> int:
    """The number that binary-coded decimal digits mean."""
    try:
        return int(f"{value:x}")
    except ValueError:
        raise ScanFault(f"expected decimal digits as BCD, got 16#{value:X}") from None


def is_bcd(value: int) -> bool:
    """True if every digit is a decimal one."""
    return f"{value:x}".isdigit()


def swap_bytes(value: int, bits: int) -> int:
    """The bytes of a whole number or bit string in reverse order."""
    size = bits // 8
    return int.from_bytes((value & (1 << bits) - 1).to_bytes(size, "little"), "big")


def bits_of_real(value: float) -> int:
    """The binary32 pattern of a REAL."""
    return int(struct.unpack("<I", struct.pack("<f", value))[0])


def real_of_bits(value: int) -> float:
    """The REAL of a binary32 pattern."""
    return float(struct.unpack("<f", struct.pack("<I", value))[0])


def bits_of_lreal(value: float) -> int:
    """The binary64 pattern of an LREAL."""
    return int(struct.unpack("<Q", struct.pack("<d", value))[0])


def lreal_of_bits(value: int) -> float:
    """The LREAL of a binary64 pattern."""
    return float(struct.unpack("<d", struct.pack("<Q", value))[0])


NAMESPACE: dict[str, Any] = {
    function.__name__: function
    for function in (
        text_mid,
        text_left,
        text_right,
        text_delete,
        text_insert,
        text_replace,
        text_too_long,
        text_at,
        text_with,
        first_character,
        value_text,
        value_of,
        to_bcd,
        from_bcd,
        is_bcd,
        swap_bytes,
        bits_of_real,
        real_of_bits,
        bits_of_lreal,
        lreal_of_bits,
    )
}
"""The names that generated modules see."""
