"""Dates and times of day as people write them: `2026-11-25`, `06:30:00`, both with a space.

They are nanoseconds since 1970-01-01 00:00 or since midnight, without a time zone, as in
IEC 61131-3 (third edition, table 10).
"""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Final

from softctl.values.types import ElementaryType

_NS_PER_S: Final = 1_000_000_000
_NS_PER_DAY: Final = 86_400 * _NS_PER_S
_EPOCH: Final = date(1970, 1, 1)
_LAST: Final = date(2262, 4, 10)
"""The last whole day that a signed 64-bit count of nanoseconds reaches."""

_DAY: Final = r"(?P<day>\d{4}-\d\d-\d\d)"
_TIME: Final = r"(?P<h>\d\d):(?P<m>\d\d)(?::(?P<s>\d\d)(?:\.(?P<f>\d{1,9}))?)?"
_FORMS: Final = {
    "DATE": (re.compile(_DAY), "a date such as '2026-11-25'"),
    "TOD": (re.compile(_TIME), "a time of day such as '06:30' or '06:30:00.5'"),
    "DT": (re.compile(f"{_DAY}[ T]{_TIME}"), "a date and time such as '2026-11-25 06:30:00'"),
}


def parse_date(text: str, type_: ElementaryType) -> int:
    """The nanoseconds of a date, time of day or date and time.

    Dates run from 1970-01-01 to 2262-04-10. Raises ValueError with what was expected.
    """
    form, wanted = _FORMS[type_.name.removeprefix("L")]
    match = form.fullmatch(text.strip())
    value = None if match is None else _value(match.groupdict())
    if value is None:
        raise ValueError(f"expected {wanted}, got '{text}'")
    return value


def show_date(value: int, type_: ElementaryType) -> str:
    """The text of a value, the inverse of `parse_date`; seconds only where they are needed."""
    days, rest = divmod(value, _NS_PER_DAY)
    day = (_EPOCH + timedelta(days)).isoformat()
    seconds, fraction = divmod(rest, _NS_PER_S)
    time = f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    if fraction:
        time += f".{fraction:09d}".rstrip("0")
    name = type_.name.removeprefix("L")
    return {"DATE": day, "TOD": time, "DT": f"{day} {time}"}[name]


def _value(parts: dict[str, str | None]) -> int | None:
    """The nanoseconds of a match, None for a day or hour that does not exist."""
    days = 0
    if (text := parts.get("day")) is not None:
        try:
            day = date.fromisoformat(text)
        except ValueError:
            return None
        if not _EPOCH <= day <= _LAST:
            return None
        days = (day - _EPOCH).days
    hours, minutes, seconds = (int(parts.get(key) or 0) for key in "hms")
    if hours > 23 or minutes > 59 or seconds > 59:
        return None
    fraction = int((parts.get("f") or "").ljust(9, "0"))
    return days * _NS_PER_DAY + (3600 * hours + 60 * minutes + seconds) * _NS_PER_S + fraction
