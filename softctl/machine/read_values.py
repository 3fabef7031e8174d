"""Values of points as a machine file writes them: numbers, or quantities with a unit."""

from __future__ import annotations

from softctl.machine.document import describe
from softctl.machine.fields import is_number
from softctl.machine.model import Number, Value
from softctl.values.dates import parse_date, show_date
from softctl.values.registers import register_limits
from softctl.values.texts import encode_text, is_character
from softctl.values.types import ElementaryType, Kind, round_to_real
from softctl.values.units import convert, parse_duration

_REAL_MAX = 3.4028234663852886e38


def read_value(raw: object, type_: ElementaryType, unit: str) -> Value:
    """The value of `type_` that `raw` stands for; numbers and results are in `unit`.

    A duration is nanoseconds, so is a date or time of day. Raises ValueError with what was
    expected and what came.
    """
    if type_.kind is Kind.BOOL:
        return _read_bool(raw)
    if type_.kind is Kind.STRING:
        return _read_text(raw, type_)
    if type_.kind is Kind.DATE:
        return parse_date(raw if isinstance(raw, str) else describe(raw), type_)
    if type_.kind is Kind.DURATION:
        return _read_duration(raw, type_)
    number = _read_number(raw, unit, type_)
    if type_.kind is Kind.REAL:
        return _real(number, type_)
    return _whole(number, raw, type_)


def read_number(raw: object, type_: ElementaryType, unit: str) -> Number:
    """As `read_value`, for a type that is no text."""
    value = read_value(raw, type_, unit)
    assert not isinstance(value, str), f"{type_.name} is no number"
    return value


def zero(type_: ElementaryType) -> Value:
    """The value that a variable of the type starts with."""
    if type_.kind is Kind.BOOL:
        return False
    if type_.kind is Kind.STRING:
        return "\0" if is_character(type_) else ""
    return 0.0 if type_.kind is Kind.REAL else 0


def show_value(value: Value, type_: ElementaryType) -> str:
    """A value in a message or a list: durations in seconds, truth in the file's words."""
    if isinstance(value, str):
        return repr(value)
    if type_.kind is Kind.BOOL:
        return str(value).lower()
    if type_.kind is Kind.DURATION:
        return f"{value / 1e9:.9g} s"
    if type_.kind is Kind.DATE:
        return show_date(int(value), type_)
    return show_float(value) if isinstance(value, float) else str(value)


def show_float(value: float) -> str:
    """With as few digits as tell this REAL from every other, 0.1 and not 0.100000001."""
    if value != round_to_real(value):
        return f"{value:.9g}"
    short = (float(f"{value:.{digits}g}") for digits in range(1, 10))
    return f"{next(one for one in short if round_to_real(one) == value):.9g}"


def _read_bool(raw: object) -> bool:
    if isinstance(raw, bool):
        return raw
    raise ValueError(f"expected true or false, got {describe(raw)}")


def _read_text(raw: object, type_: ElementaryType) -> str:
    if not isinstance(raw, str) or (is_character(type_) and len(raw) != 1):
        wanted = "one character" if is_character(type_) else "a text"
        raise ValueError(f"expected {wanted}, got {describe(raw)}")
    encode_text(raw, type_)
    return raw


def _read_duration(raw: object, type_: ElementaryType) -> int:
    if not isinstance(raw, str):
        raise ValueError(f"expected a time such as '90 s', got {describe(raw)}")
    value = parse_duration(raw)
    low, high = register_limits(type_)
    if not low <= value <= high:
        limits = f"{show_value(low, type_)} to {show_value(high, type_)}"
        raise ValueError(f"expected a {type_.name} from {limits}, got '{raw}'")
    return value


def _read_number(raw: object, unit: str, type_: ElementaryType) -> int | float:
    if isinstance(raw, str) and unit:
        return convert(raw, unit)
    if isinstance(raw, int | float) and is_number(raw):
        return raw
    kind = "a number" if type_.kind is Kind.REAL else "a whole number"
    wanted = f"{kind} or a quantity in {unit}" if unit else kind
    raise ValueError(f"expected {wanted}, got {describe(raw)}")


def _real(number: int | float, type_: ElementaryType) -> float:
    if type_.bits == 32:
        if abs(number) > _REAL_MAX:
            raise ValueError(f"expected a REAL within ±{_REAL_MAX:.6g}, got {number}")
        return round_to_real(number)
    try:
        return float(number)
    except OverflowError:
        raise ValueError(f"expected an LREAL, got {describe(number)}") from None


def _whole(number: int | float, raw: object, type_: ElementaryType) -> int:
    if number == int(number) and type_.low <= number <= type_.high:
        return int(number)
    raise ValueError(
        f"expected a whole number from {type_.low} to {type_.high}, got {describe(raw)}"
    )
