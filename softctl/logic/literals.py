"""The values of literals (IEC 61131-3 tables 5 to 9); ValueError says what was expected."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from fractions import Fraction

_UNITS_NS = {
    "D": 86_400_000_000_000,
    "H": 3_600_000_000_000,
    "M": 60_000_000_000,
    "S": 1_000_000_000,
    "MS": 1_000_000,
    "US": 1_000,
    "NS": 1,
}
_LONGEST_NUMBER = 400
_ORDER = list(_UNITS_NS)
_MOST_DAYS = (1 << 63) // _UNITS_NS["D"]
"""Nanoseconds in 64 bits reach 106,751 days from 1970-01-01 in either direction."""
_REAL = re.compile(r"[+-]?[0-9][0-9_]*(?:\.[0-9_]*)?(?:[Ee][+-]?[0-9]+)?")
_PART = re.compile(r"(\d[\d_]*(?:\.\d[\d_]*)?)(MS|US|NS|D|H|M|S)_?")
_CLOCK = re.compile(r"(\d+):(\d+)(?::(\d+(?:\.\d+)?))?$")
_DATE = re.compile(r"(\d+)-(\d+)-(\d+)$")
_ESCAPE = re.compile(r"\$(\$|'|\"|[LNPRTlnprt]|[0-9A-Fa-f]{2}|.)")
_WIDE_ESCAPE = re.compile(r"\$(\$|'|\"|[LNPRTlnprt]|[0-9A-Fa-f]{4}|.)")
_ESCAPES = {"L": "\n", "N": "\n", "P": "\f", "R": "\r", "T": "\t"}


def parse_integer(text: str) -> int:
    """The value of `123_456`, `-5` or `16#FF`."""
    text = text.replace("_", "")
    if len(text) > _LONGEST_NUMBER:
        raise ValueError(f"expected a whole number of 64 bits, got {len(text)} digits")
    base, mark, digits = text.partition("#")
    if not mark:
        return int(text)
    if base.lstrip("+-") not in ("2", "8", "10", "16"):
        raise ValueError(f"expected base 2, 8, 10 or 16, got {base}")
    try:
        return int(digits, int(base))
    except ValueError:
        raise ValueError(f"expected digits of base {base}, got {digits!r}") from None


def parse_real(text: str) -> float:
    """The value of `3.14159_26E-5`."""
    if not _REAL.fullmatch(text):
        raise ValueError(f"expected a number such as -1.5E3, got {text[:40]!r}")
    value = float(text.replace("_", ""))
    if math.isinf(value):
        raise ValueError(f"expected a real number up to 1.79E308, got {text[:40]}")
    return value


def parse_duration(text: str) -> int:
    """Nanoseconds of `5d14h12m18s3.5ms`: units descending, a fraction only on the last."""
    body = text.upper()
    sign = -1 if body.startswith("-") else 1
    body = body[1:] if body[:1] in ("+", "-") else body
    total, position, last = Fraction(0), 0, -1
    while position < len(body) or last < 0:
        part = _PART.match(body, position)
        if part is None:
            raise ValueError(f"expected a duration such as T#1m30s or T#2.5s, got {text!r}")
        number, unit = part.group(1).replace("_", ""), part.group(2)
        if _ORDER.index(unit) <= last:
            raise ValueError(f"expected units in the order d h m s ms us ns, got {text!r}")
        last, position = _ORDER.index(unit), part.end()
        if "." in number and position < len(body):
            raise ValueError(f"expected a fraction only on the last unit, got {text!r}")
        if len(number) > _LONGEST_NUMBER:
            raise ValueError(f"expected a duration of up to 106751 days, got {text[:40]!r}")
        total += Fraction(number) * _UNITS_NS[unit]
    if total >= 1 << 63:
        raise ValueError(f"expected a duration of up to 106751 days, got {text[:40]!r}")
    return sign * round(total)


def parse_clock(text: str) -> int:
    """Nanoseconds since midnight of `15:36:55.36`."""
    found = _CLOCK.match(text.replace("_", ""))
    if found is None:
        raise ValueError(f"expected a time of day such as 15:36:55.36, got {text!r}")
    hours, minutes, seconds = int(found[1]), int(found[2]), Fraction(found[3] or 0)
    if hours > 23 or minutes > 59 or seconds >= 60:
        raise ValueError(f"expected a time of day before 24:00:00, got {text!r}")
    return round((hours * 3600 + minutes * 60 + seconds) * 1_000_000_000)


def parse_date(text: str) -> int:
    """Nanoseconds since 1970-01-01 of `1984-06-25`."""
    found = _DATE.match(text.replace("_", ""))
    try:
        if found is None:
            raise ValueError
        day = datetime(int(found[1]), int(found[2]), int(found[3]), tzinfo=UTC)
    except ValueError:
        raise ValueError(f"expected a date such as 1984-06-25, got {text!r}") from None
    days = (day - datetime(1970, 1, 1, tzinfo=UTC)).days
    if abs(days) > _MOST_DAYS:
        raise ValueError(f"expected a date between 1677-09-22 and 2262-04-11, got {text!r}")
    return days * _UNITS_NS["D"]


def parse_date_and_time(text: str) -> int:
    """Nanoseconds since 1970-01-01 of `1984-06-25-15:36:55.36`."""
    date, mark, clock = text.rpartition("-")
    if not mark or ":" not in clock:
        raise ValueError(f"expected a date and time such as 1984-06-25-15:36:55, got {text!r}")
    value = parse_date(date) + parse_clock(clock)
    if value >= 1 << 63:
        raise ValueError(f"expected a date and time before 2262-04-11-23:47:17, got {text!r}")
    return value


def parse_string(text: str) -> str:
    """The characters of a quoted literal, with `$` escapes resolved (table 6)."""
    pattern = _WIDE_ESCAPE if text[0] == '"' else _ESCAPE
    return pattern.sub(_unescape, text[1:-1])


def _unescape(found: re.Match[str]) -> str:
    code = found[1]
    if code in "$'\"":
        return code
    if code.upper() in _ESCAPES:
        return _ESCAPES[code.upper()]
    try:
        return chr(int(code, 16))
    except ValueError:
        raise ValueError(f"expected an escape such as $N, $$ or $0D, got ${code}") from None


def parse_value(text: str) -> bool | int | float | str:
    """What a person writes for a value: a literal, or the name of an enumeration's value.

    Raises ValueError for a literal that is none.
    """
    word = text.strip()
    upper = word.upper()
    if upper in ("TRUE", "FALSE"):
        return upper == "TRUE"
    kind, mark, rest = upper.partition("#")
    if mark and kind in ("T", "TIME", "LT", "LTIME"):
        return parse_duration(rest)
    if word[:1] in ("'", '"') and len(word) > 1 and word[-1] == word[0]:
        return parse_string(word)
    if word[:1].isdigit() or word[:1] in "+-":
        return parse_real(word) if "." in word else parse_integer(word)
    return word


def duration_text(value_ns: int) -> str:
    """The shortest literal of a duration, such as `T#1m30s`."""
    sign, rest, parts = "-" if value_ns < 0 else "", abs(value_ns), []
    for unit, size in _UNITS_NS.items():
        count, rest = divmod(rest, size)
        if count:
            parts.append(f"{count}{unit.lower()}")
    return f"T#{sign}{''.join(parts) or '0s'}"
