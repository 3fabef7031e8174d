"""What every conversion of the matrix `*_TO_*` gives, computed without the compiler.

Whole numbers and bit strings are cast by numpy's scalars, real numbers are rounded exactly
with fractions, dates are taken apart by Python's calendar, texts are written and read with
its own formats. Values are as an instance holds them: durations, dates and times of day are
nanoseconds.
"""

from __future__ import annotations

import math
import struct
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np

DTYPES: dict[str, Any] = {
    "SINT": np.int8,
    "INT": np.int16,
    "DINT": np.int32,
    "LINT": np.int64,
    "USINT": np.uint8,
    "UINT": np.uint16,
    "UDINT": np.uint32,
    "ULINT": np.uint64,
    "BYTE": np.uint8,
    "WORD": np.uint16,
    "DWORD": np.uint32,
    "LWORD": np.uint64,
}
INTS = list(DTYPES)[:8]
BITS = list(DTYPES)[8:]
REALS = ["REAL", "LREAL"]
TIMES = ["TIME", "LTIME"]
DATES = ["DATE", "LDATE"]
CLOCKS = ["TOD", "LTOD"]
MOMENTS = ["DT", "LDT"]
CHARS = ["CHAR", "WCHAR"]
TEXTS = ["STRING", "WSTRING"]
WHOLE = INTS + BITS
COUNTED = TIMES + DATES + CLOCKS + MOMENTS
ALL = ["BOOL", *WHOLE, *REALS, *COUNTED, *CHARS, *TEXTS]

UNIT_NS = {"TIME": 10**6, "TOD": 10**6, "DATE": 10**9, "DT": 10**9}
"""A duration or time of day as a number is milliseconds, a date seconds; the long types count
nanoseconds. Common practice: the standard leaves it open."""
DAY_NS = 86_400 * 10**9
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
ZERO = EPOCH.toordinal() * DAY_NS

LEGAL = {
    **{("BOOL", t): "number" for t in ["BOOL", *WHOLE, *REALS]},
    **{("BOOL", t): "count" for t in TIMES},
    **{(s, t): "number" for s in WHOLE for t in ["BOOL", *WHOLE, *REALS]},
    **{(s, t): "count" for s in WHOLE for t in COUNTED},
    **{(s, t): "number" for s in REALS for t in ["BOOL", *WHOLE, *REALS]},
    **{(s, t): "count" for s in REALS for t in TIMES},
    **{(s, t): "count" for s in COUNTED for t in WHOLE + REALS},
    **{(s, t): "same" for s in TIMES for t in TIMES + CLOCKS},
    **{(s, t): "same" for s in DATES for t in DATES + MOMENTS},
    **{(s, t): "same" for s in CLOCKS for t in TIMES + CLOCKS},
    **{(s, t): "same" for s in MOMENTS for t in MOMENTS},
    **{(s, t): "day" for s in MOMENTS for t in DATES},
    **{(s, t): "clock" for s in MOMENTS for t in CLOCKS},
    **{(s, t): "code" for s in ["BOOL", *WHOLE] for t in CHARS},
    **{(s, t): "ordinal" for s in CHARS for t in ["BOOL", *WHOLE]},
    **{(s, t): "letter" for s in CHARS for t in CHARS},
    **{(s, t): "text" for s in ["BOOL", *WHOLE, *REALS, *COUNTED] for t in TEXTS},
    **{(s, t): "parse" for s in TEXTS for t in ["BOOL", *WHOLE, *REALS, *COUNTED]},
    **{(s, t): "keep" for s in CHARS + TEXTS for t in TEXTS},
    **{(s, t): "first" for s in TEXTS for t in CHARS},
    ("REAL", "DWORD"): "pattern",
    ("DWORD", "REAL"): "pattern",
    ("LREAL", "LWORD"): "pattern",
    ("LWORD", "LREAL"): "pattern",
}
"""The pairs that convert, by how; every other pair is an error."""

FAULT = "fault"


def converted(value: Any, source: str, target: str) -> Any:
    """The value after a conversion, or FAULT."""
    how = LEGAL[source, target]
    if how in ("number", "ordinal"):
        return number(ord(value) if how == "ordinal" else value, target)
    if how == "count":
        return counted(value, source, target)
    if how == "day":
        return (EPOCH + timedelta(microseconds=value // 1000)).date().toordinal() * DAY_NS - ZERO
    return {
        "same": lambda: value,
        "clock": lambda: value - value // DAY_NS * DAY_NS,
        "code": lambda: chr(int(value) % 256 ** width(target)),
        "letter": lambda: chr(ord(value) % 256 ** width(target)),
        "first": lambda: chr(ord(value[0]) % 256 ** width(target)) if value else chr(0),
        "keep": lambda: value,
        "text": lambda: text_of(value, source),
        "pattern": lambda: pattern(value, source, target),
    }[how]()


def width(type_: str) -> int:
    """The bytes of a character."""
    return 2 if type_ == "WCHAR" else 1


def number(value: Any, target: str) -> Any:
    """A number or truth value in another type of number."""
    if target == "BOOL":
        return value != 0
    if target in REALS:
        return nearest(value, target)
    if isinstance(value, float):
        if not math.isfinite(value):
            return FAULT
        value = half_even(Fraction(value))
    return np.array(int(value) % 2**64, np.uint64).astype(DTYPES[target]).item()


def half_even(value: Fraction) -> int:
    """The nearest whole number, halves to the even one."""
    floor = math.floor(value)
    rest = value - floor
    if rest == Fraction(1, 2):
        return floor + floor % 2
    return floor + (rest > Fraction(1, 2))


def nearest(value: Any, target: str) -> float:
    """The real number of a type that is nearest to an exact value."""
    if isinstance(value, float) and not math.isfinite(value):
        return value
    exact = Fraction(value)
    if exact == 0:
        return float(value)  # keeps the sign of a zero
    if target == "LREAL":
        return float(exact)
    power = max(math.floor(math.log2(abs(exact))) - 23, -149)
    while abs(exact) >= Fraction(2) ** (power + 24):  # log2 may be off by one
        power += 1
    while power > -149 and abs(exact) < Fraction(2) ** (power + 23):
        power -= 1
    rounded = half_even(exact / Fraction(2) ** power) * Fraction(2) ** power
    if abs(rounded) >= Fraction(2) ** 128:
        return math.copysign(math.inf, value)
    return math.copysign(float(rounded), value)


def counted(value: Any, source: str, target: str) -> Any:
    """Between a duration or date and a number, in whole units of the former."""
    if source in COUNTED:
        unit = UNIT_NS.get(source, 1)
        if target in REALS:
            return Approximate(Fraction(value, unit), target)
        return number(math.trunc(Fraction(value, unit)), target)
    unit = UNIT_NS.get(target, 1)
    if isinstance(value, float):
        if not math.isfinite(value):
            return FAULT
        return number(half_even(Fraction(nearest(value * unit, "LREAL"))), "LINT")
    return number(int(value) * unit, "LINT")


class Approximate:
    """A real number that may be one unit in the last place off: it is a quotient of two."""

    def __init__(self, exact: Fraction, type_: str) -> None:
        self.exact = exact
        self.type = type_

    def __eq__(self, other: object) -> bool:
        assert isinstance(other, float)
        scalar = np.float32 if self.type == "REAL" else np.float64
        step = Fraction(float(np.spacing(scalar(abs(float(self.exact))))))
        return abs(Fraction(other) - self.exact) <= step

    def __repr__(self) -> str:
        return f"about {float(self.exact)!r}"


def pattern(value: Any, source: str, target: str) -> Any:
    """The same bits (IEEE 754)."""
    real, bits = ("<f", "<I") if "REAL" in (source, target) else ("<d", "<Q")
    first, second = (real, bits) if source in REALS else (bits, real)
    return struct.unpack(second, struct.pack(first, value))[0]


def text_of(value: Any, source: str) -> str:
    """What a literal of the value looks like."""
    if source == "BOOL":
        return str(value).upper()
    if source in REALS:
        return real_text(value, source)
    long = "L" if source[0] == "L" and source != "LINT" else ""
    if source in TIMES:
        return f"{long}{'TIME' if long else 'T'}#{duration_text(value)}"
    if source in DATES:
        return f"{long}D#{day_text(value)}"
    if source in CLOCKS:
        return f"{source}#{clock_text(value)}"
    if source in MOMENTS:
        return f"{source}#{day_text(value)}-{clock_text(value % DAY_NS)}"
    return f"{int(value):d}"


def real_text(value: float, source: str) -> str:
    """The shortest digits, with a point and a capital E."""
    scalar = np.float32 if source == "REAL" else np.float64
    if not math.isfinite(value):
        return f"{value}"
    digits = np.format_float_scientific(scalar(value), unique=True, trim="-", exp_digits=1)
    mantissa, _, exponent = digits.partition("e")
    if -4 <= int(exponent) < 16:
        plain = f"{Decimal(digits):f}"
        return plain if "." in plain else f"{plain}.0"
    return f"{mantissa}{'' if '.' in mantissa else '.0'}E{int(exponent)}"


def duration_text(value: int) -> str:
    """Days to nanoseconds, without the units that are zero."""
    parts, rest = [], abs(value)
    for unit, size in (("d", DAY_NS), ("h", 3600 * 10**9), ("m", 60 * 10**9), ("s", 10**9)):
        parts.append((rest // size, unit))
        rest %= size
    parts += [(rest // 10**6, "ms"), (rest // 1000 % 1000, "us"), (rest % 1000, "ns")]
    text = "".join(f"{count}{unit}" for count, unit in parts if count)
    return f"{'-' if value < 0 else ''}{text or '0s'}"


def day_text(value: int) -> str:
    """A date by Python's calendar."""
    return (EPOCH + timedelta(days=value // DAY_NS)).date().isoformat()


def clock_text(value: int) -> str:
    """A time of day with as many digits as it needs."""
    moment = EPOCH + timedelta(seconds=value // 10**9)
    fraction = f"{value % 10**9:09d}".rstrip("0")
    return moment.strftime("%H:%M:%S") + (f".{fraction}" if fraction else "")
