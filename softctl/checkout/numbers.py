"""Numbers and times as people type them from a screen: `12.5`, `12,5`, `1 234,5`, `1:15`.

Every function raises ValueError with what was expected, what came and, where a text can
mean two things, how to write each.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

_SPACES = str.maketrans("", "", "  ’'_\u202f\u2009")
_NUMBER = re.compile(r"[+-]?[\d][\d.,  ’'_\u202f\u2009]*(?:[eE][+-]?\d+)?|[+-]?[.,]\d+")
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}(?:([.,])\d{3})+")
_BASED = re.compile(
    r"(?:(?P<base>16|8|2)#|(?P<x>0x))(?P<digits>[0-9a-f_]+)|(?P<h>[0-9a-f]+)h", re.I
)
_PARTS = re.compile(r"([\d.,]+)\s*([a-zµ]+)")
_CLOCK = re.compile(r"(?:(\d+):)?(\d{1,3}):(\d\d(?:[.,]\d+)?)")
_SECONDS: dict[str, int | Fraction] = {
    "d": 86_400,
    "day": 86_400,
    "days": 86_400,
    "h": 3_600,
    "hour": 3_600,
    "hours": 3_600,
    "m": 60,
    "min": 60,
    "minutes": 60,
    "s": 1,
    "sec": 1,
    "seconds": 1,
    "ms": Fraction(1, 1_000),
    "us": Fraction(1, 1_000_000),
    "µs": Fraction(1, 1_000_000),
    "ns": Fraction(1, 1_000_000_000),
}
_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Read:
    """A number with what one more of its last digit is, and the text behind it, a unit."""

    value: Fraction
    digit: Fraction
    unit: str


def read_number(text: str) -> Read:
    """The number that a text begins with, with comma or point, and what stands behind it."""
    cleaned = text.strip().replace("−", "-").replace("–", "-")
    based = _BASED.fullmatch(cleaned)
    if based is not None:
        return Read(Fraction(_based(based)), Fraction(1), "")
    match = _NUMBER.match(cleaned)
    if match is None:
        raise ValueError(f"expected a number such as 12.5 or 12,5, got '{text.strip()}'")
    number, decimals = _decimal(match[0].translate(_SPACES))
    return Read(number, Fraction(1, 10**decimals), cleaned[match.end() :].strip())


def _based(match: re.Match[str]) -> int:
    if match["h"]:
        return int(match["h"], 16)
    base = 16 if match["x"] else int(match["base"])
    try:
        return int(match["digits"].replace("_", ""), base)
    except ValueError:
        raise ValueError(f"expected digits of base {base}, got '{match[0]}'") from None


def _decimal(text: str) -> tuple[Fraction, int]:
    """The number and how many decimals it was written with."""
    mantissa, _, exponent = text.lower().partition("e")
    plain = _without_groups(mantissa.rstrip(".,"))
    decimals = len(plain.partition(".")[2])
    power = int(exponent or 0)
    if abs(power) > 300:
        raise ValueError(f"expected a number of this world, got '{text}'")
    return Fraction(plain) * Fraction(10) ** power, max(0, decimals - power)


def _without_groups(text: str) -> str:
    """With a point for decimals and no marks between thousands.

    The last of two different marks is the one for decimals; a mark that comes twice parts
    thousands. A single comma before three digits can be either.
    """
    marks = [sign for sign in text if sign in ".,"]
    if len(set(marks)) == 2:
        if marks.count(marks[-1]) > 1:
            raise ValueError(f"expected a number such as 1234.5, got '{text}'")
        return text.replace(marks[0], "").replace(marks[-1], ".")
    if len(marks) > 1:
        if _GROUPED.fullmatch(text) is None:
            raise ValueError(f"expected a number such as 1234.5, got '{text}'")
        return text.replace(marks[0], "")
    if marks == [","] and _GROUPED.fullmatch(text):
        whole, part = text.replace(",", ""), text.replace(",", ".")
        raise ValueError(f"expected a clear number, got '{text}': write {whole} or {part}")
    return text.replace(",", ".")


def read_duration(text: str) -> tuple[int, int]:
    """Nanoseconds, and those of one more of the last digit; a bare number is seconds.

    `75 s`, `1 min 15 s`, `T#1m15s`, `1:15` (minutes and seconds), `0:01:15`, `75000 ms`.
    """
    cleaned = re.sub(r"^(?:L?T|L?TIME)#", "", text.strip(), flags=re.I)
    clock = _CLOCK.fullmatch(cleaned)
    if clock is not None:
        seconds, decimals = _decimal(clock[3].replace(",", "."))
        total = 3_600 * int(clock[1] or 0) + 60 * int(clock[2]) + seconds
        return round(total * _NS), round(Fraction(_NS, 10**decimals))
    parts = _PARTS.findall(cleaned.lower())
    if not parts or _PARTS.sub("", cleaned.lower()).strip(" _"):
        number = read_number(cleaned)
        return _seconds(number, number.unit or "s", text)
    read = [_seconds(read_number(number), unit, text) for number, unit in parts]
    return sum(value for value, _ in read), min(digit for _, digit in read)


def _seconds(number: Read, unit: str, text: str) -> tuple[int, int]:
    size = _SECONDS.get(unit.lower())
    if size is None:
        raise ValueError(f"expected a time such as '75 s' or '1:15', got '{text.strip()}'")
    return round(number.value * size * _NS), max(1, round(number.digit * size * _NS))
