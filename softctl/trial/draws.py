"""Values that a campaign draws anew for each run, from distributions that its file declares.

Anywhere under `given` and in an event a value may be a mapping with one of these keys:

- `between: [low, high]`: evenly between two numbers or quantities;
- `normal: [mean, deviation]`: normally distributed;
- `about: mean`: exponentially distributed, as waiting times are;
- `one of: [a, b, c]`: each as often.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from random import Random

from softctl.errors import Place
from softctl.machine.document import Entry, describe
from softctl.values.units import convert

Complain = Callable[[str, Place], None]

_QUANTITY = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*")
DRAWS = {"between": 2, "normal": 2, "about": 1, "one of": 0}
"""How many values each takes; 0 for any number."""


def is_draw(entry: Entry) -> bool:
    """Whether a part of the document says how a value is drawn."""
    value = entry.value
    return isinstance(value, Mapping) and len(value) == 1 and next(iter(value)) in DRAWS


def drawn(entry: Entry, dice: Random, complain: Complain) -> Entry:
    """The document with every draw replaced by a value, which keeps the draw's place."""
    value = entry.value
    if is_draw(entry):
        assert isinstance(value, Mapping)
        (key, given) = next(iter(value.items()))
        return Entry(_draw(key, given, dice, complain), entry.place)
    if isinstance(value, Mapping):
        parts = {key: drawn(one, dice, complain) for key, one in value.items()}
        return replace(entry, value=parts)
    if isinstance(value, tuple):
        return replace(entry, value=tuple(drawn(one, dice, complain) for one in value))
    return entry


def _draw(
    key: str, given: Entry, dice: Random, complain: Complain
) -> str | int | float | bool | None:
    items = given.value if isinstance(given.value, tuple) else (given,)
    if key == "one of":
        return _one_of(items, given, dice, complain)
    if len(items) != DRAWS[key]:
        wanted = "[low, high]" if key == "between" else "[mean, deviation]"
        wanted = "one value" if key == "about" else wanted
        complain(f"expected {wanted} for '{key}', got {describe(given.value)}", given.place)
        return None
    numbers = [_number(item, complain) for item in items]
    found = [one for one in numbers if one is not None]
    if len(found) < len(items):
        return None
    unit = found[-1][1]
    try:
        values = [
            value if own == unit else convert(str(item.value), unit)
            for item, (value, own) in zip(items, found, strict=True)
        ]
    except ValueError as error:
        complain(str(error), given.place)
        return None
    number = _pick(key, values, dice)
    return f"{number:.6g} {unit}" if unit else _plain(number, items)


def _pick(key: str, numbers: list[float], dice: Random) -> float:
    if key == "between":
        return dice.uniform(*numbers)
    if key == "normal":
        return dice.gauss(*numbers)
    return dice.expovariate(1.0 / numbers[0]) if numbers[0] else 0.0


def _plain(number: float, items: tuple[Entry, ...]) -> int | float:
    """Whole numbers are drawn as whole numbers."""
    if all(isinstance(item.value, int) for item in items):
        return round(number)
    return float(f"{number:.6g}")


def _one_of(
    items: tuple[Entry, ...], given: Entry, dice: Random, complain: Complain
) -> str | int | float | bool | None:
    if not items or any(isinstance(item.value, tuple | Mapping) for item in items):
        complain(f"expected a list of values, got {describe(given.value)}", given.place)
        return None
    value = dice.choice(items).value
    assert not isinstance(value, tuple | Mapping)
    return value


def _number(entry: Entry, complain: Complain) -> tuple[float, str] | None:
    value = entry.value
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value), ""
    found = _QUANTITY.fullmatch(value) if isinstance(value, str) else None
    if found is None:
        message = f"expected a number or a quantity such as '5 s', got {describe(value)}"
        complain(message, entry.place)
        return None
    return float(found[1]), found[2]
