"""What a person says that a screen shows, as a value of the point that is looked at."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from softctl.checkout.numbers import read_duration, read_number
from softctl.checkout.plan import shown_value
from softctl.checkout.steps import Answer, Step
from softctl.machine import Point, Value
from softctl.values.dates import parse_date
from softctl.values.types import Kind
from softctl.values.units import convert

_TRUE = frozenset(("on", "true", "1", "yes", "y", "active", "lit", "alarm", "set", "high"))
_FALSE = frozenset(
    ("off", "false", "0", "no", "n", "inactive", "dark", "normal", "none", "clear", "reset", "low")
)
_PAIRS = (
    ("open", "closed"),
    ("running", "stopped"),
    ("full", "empty"),
    ("healthy", "faulty"),
    ("auto", "manual"),
)
_SAME = {
    "opened": "open",
    "close": "closed",
    "shut": "closed",
    "runs": "running",
    "stop": "stopped",
}
_UNITS = {
    "l/min": "L/min",
    "l/s": "L/s",
    "l/h": "L/h",
    "l": "L",
    "°c": "degC",
    "c": "degC",
    "m³/h": "m3/h",
    "m³": "m3",
    "m³/s": "m3/s",
    "sec": "s",
    "r/min": "rpm",
    "1/min": "rpm",
}
_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})")


@dataclass(frozen=True, slots=True)
class Understood:
    """An answer as it was understood, in the point's unit.

    `digit` is what one more of the last digit shown would be, 0 where that means nothing.
    """

    value: Value
    text: str
    digit: float = 0.0


def read_answer(text: str, step: Step, point: Point) -> Understood:
    """What an answer to a step means; raises ValueError with what was expected and came."""
    if not text.strip() and step.answer is not Answer.TEXT:
        raise ValueError(f"expected what the screen shows ({step.answer.value}), got nothing")
    return _READERS[step.answer](text, step, point)


def _read_switch(text: str, step: Step, point: Point) -> Understood:
    word = text.strip().lower()
    word = _SAME.get(word, word)
    if word in _TRUE or word in _FALSE:
        value = word in _TRUE
    else:
        value = _read_pair(word, text, f"{point.description} {point.name}".lower())
    return Understood(value, shown_value(point, value))


def _read_pair(word: str, text: str, about: str) -> bool:
    """`closed` is TRUE for a point that says that something is closed."""
    for pair in _PAIRS:
        if word not in pair:
            continue
        told = [one for one in pair if re.search(rf"\b{one}", about)]
        if len(told) == 1:
            return word == told[0]
        if pair != _PAIRS[0]:
            return word == pair[0]
        raise ValueError(f"expected on or off, got '{text.strip()}', which can mean either here")
    raise ValueError(f"expected on or off, got '{text.strip()}'")


def _read_yes(text: str, step: Step, point: Point) -> Understood:
    word = text.strip().lower()
    if word in ("yes", "y", "true", "1"):
        return Understood(True, "yes")
    if word in ("no", "n", "false", "0"):
        return Understood(False, "no")
    raise ValueError(f"expected yes or no, got '{text.strip()}'")


def _read_quantity(text: str, step: Step, point: Point) -> Understood:
    read = read_number(text)
    value, digit = _in_unit(read.value, read.digit, read.unit, point)
    shown: Value = float(value)
    if value.denominator == 1 and point.type.kind is not Kind.REAL:
        shown = int(value)
    return Understood(shown, shown_value(point, shown), float(digit))


def _in_unit(
    number: Fraction, digit: Fraction, unit: str, point: Point
) -> tuple[Fraction, Fraction]:
    """A number with a unit in the unit of the point."""
    unit = _UNITS.get(unit.lower(), unit)
    if not unit or unit == point.unit:
        return number, digit
    if unit == "%" and point.low is not None and point.high is not None:
        low, span = Fraction(point.low), Fraction(point.high) - Fraction(point.low)
        return low + number / 100 * span, digit / 100 * span
    if not point.unit:
        raise ValueError(f"expected a plain number for {point.name}, got the unit '{unit}'")
    zero, one = (Fraction(convert(f"{n} {unit}", point.unit)) for n in (0, 1))
    return zero + number * (one - zero), digit * (one - zero)


def _read_time(text: str, step: Step, point: Point) -> Understood:
    value, digit = read_duration(text)
    return Understood(value, shown_value(point, value), digit)


def _read_date(text: str, step: Step, point: Point) -> Understood:
    cleaned = re.sub(r"^[A-Za-z_]+#", "", text.strip())
    cleaned = _DAY_FIRST.sub(lambda m: f"{m[3]}-{int(m[2]):02d}-{int(m[1]):02d}", cleaned)
    value = parse_date(cleaned, point.type)
    return Understood(value, shown_value(point, value))


def _read_text(text: str, step: Step, point: Point) -> Understood:
    value = text.strip().strip('"“”').rstrip()
    return Understood(value, f"“{value}”")


def _read_choice(text: str, step: Step, point: Point) -> Understood:
    """A number, or a name or how one begins."""
    word = " ".join(text.lower().split())
    if word.isdigit():
        number = int(word)
        return Understood(number, _named(number, step.choices))
    exact = [number for number, name in step.choices.items() if name.lower() == word]
    found = exact or [n for n, name in step.choices.items() if name.lower().startswith(word)]
    if len(found) != 1:
        known = ", ".join(f"{number} {name}" for number, name in step.choices.items())
        raise ValueError(f"expected a number or one of {known}; got '{text.strip()}'")
    return Understood(found[0], _named(found[0], step.choices))


def _named(number: int, choices: Mapping[int, str]) -> str:
    return f"{number} ({choices[number]})" if number in choices else str(number)


def _read_done(text: str, step: Step, point: Point) -> Understood:
    raise ValueError("expected the operation itself, not a value")


_READERS: Mapping[Answer, Callable[[str, Step, Point], Understood]] = {
    Answer.SWITCH: _read_switch,
    Answer.NUMBER: _read_quantity,
    Answer.TIME: _read_time,
    Answer.DATE: _read_date,
    Answer.TEXT: _read_text,
    Answer.CHOICE: _read_choice,
    Answer.YES: _read_yes,
    Answer.DONE: _read_done,
}
