"""Texts in Modbus registers.

A STRING has one byte a character (ISO/IEC 10646, the first 256 characters) and so two
characters a register, the first of them in the high byte; a WSTRING has one UTF-16 unit a
register. The registers follow each other in the order of the text, whatever the word order
of numbers is. NULs fill up what a text leaves; it ends before the first of them. A CHAR or
WCHAR is its code in one register.
"""

from __future__ import annotations

from typing import Final

from softctl.values.types import ELEMENTARY_TYPES, ElementaryType, Kind

MAX_TEXT_REGISTERS: Final = 123
"""What one request can write whole (Modbus Application Protocol V1.1b3, section 6.12)."""

_NUL: Final = "\0"


def text_type(name: str, length: int) -> ElementaryType:
    """The type STRING[length] or WSTRING[length].

    Raises ValueError for another name and for a length that one request cannot write:
    1 to 246 characters of a STRING, 1 to 123 of a WSTRING.
    """
    if name not in ("STRING", "WSTRING"):
        raise ValueError(f"expected STRING or WSTRING, got {name}")
    bits = 16 if name == "WSTRING" else 8
    most = MAX_TEXT_REGISTERS * 16 // bits
    if not 1 <= length <= most:
        raise ValueError(f"expected a length of {name} from 1 to {most}, got {length}")
    return ElementaryType(f"{name}[{length}]", Kind.STRING, length * bits)


def is_wide(type_: ElementaryType) -> bool:
    """True for types of UTF-16 units: WCHAR and WSTRING."""
    return type_.name.startswith("W")


def is_character(type_: ElementaryType) -> bool:
    """True for CHAR and WCHAR, which are one character and never empty."""
    return type_ in (ELEMENTARY_TYPES["CHAR"], ELEMENTARY_TYPES["WCHAR"])


def text_length(type_: ElementaryType) -> int:
    """The number of bytes (STRING) or UTF-16 units (WSTRING) that the type holds."""
    return type_.bits // (16 if is_wide(type_) else 8)


def nearest_text(value: str, type_: ElementaryType) -> str:
    """The text that the type's registers can hold and that is most of `value`.

    Characters that they cannot hold become question marks, the rest is cut off at the
    type's length and at a NUL.
    """
    if not is_character(type_):
        value = value.split(_NUL, 1)[0]
    raw = value.encode(_codec(type_), "replace")[: type_.bits // 8]
    return raw.decode(_codec(type_), "ignore") or (_NUL if is_character(type_) else "")


def encode_text(value: str, type_: ElementaryType, *, low_byte_first: bool = False) -> bytes:
    """The bytes of a text, two for each register, filled up with NULs.

    Raises ValueError for a text that is too long, holds a NUL or has a character that
    the type does not.
    """
    try:
        raw = value.encode(_codec(type_))
    except UnicodeEncodeError as error:
        wrong = ascii(value[error.start])
        raise ValueError(f"expected characters of a {type_.name}, got {wrong}") from None
    if 8 * len(raw) > type_.bits:
        length = text_length(type_)
        raise ValueError(f"expected at most {length} characters, got {value!a}")
    if is_character(type_):
        return raw.rjust(2, b"\0")
    if _NUL in value:
        raise ValueError(f"expected a text without NULs, got {value!a}")
    raw = raw.ljust(-(-type_.bits // 16) * 2, b"\0")
    return _swap(raw) if low_byte_first else raw


def decode_text(raw: bytes, type_: ElementaryType, *, low_byte_first: bool = False) -> str:
    """The text in the bytes of its registers, the inverse of `encode_text`.

    Raises ValueError for a text that is longer than the type's length and for units that
    are no UTF-16.
    """
    if is_character(type_):
        return _decode_character(raw, type_)
    if low_byte_first:
        raw = _swap(raw)
    width = 2 if is_wide(type_) else 1
    units = [raw[i : i + width] for i in range(0, len(raw), width)]
    end = next((i for i, unit in enumerate(units) if not any(unit)), len(units))
    if end > text_length(type_):
        raise ValueError(f"expected at most {text_length(type_)} characters, got {end}")
    try:
        return raw[: end * width].decode(_codec(type_))
    except UnicodeDecodeError:
        raise ValueError(f"expected UTF-16 units for a {type_.name}, got {raw.hex()}") from None


def _decode_character(raw: bytes, type_: ElementaryType) -> str:
    code = int.from_bytes(raw, "big")
    if code >> type_.bits or 0xD800 <= code <= 0xDFFF:
        raise ValueError(f"expected the code of a {type_.name}, got {code}")
    return chr(code)


def _codec(type_: ElementaryType) -> str:
    return "utf-16-be" if is_wide(type_) else "latin-1"


def _swap(raw: bytes) -> bytes:
    swapped = bytearray(len(raw))
    swapped[::2], swapped[1::2] = raw[1::2], raw[::2]
    return bytes(swapped)
