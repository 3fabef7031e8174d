"""The kinds of values that only a file of wire faults holds, as types for pydantic."""

from __future__ import annotations

import re
from typing import Annotated, Any, Final

from softctl.machine.fields import Checked, is_number, refuse
from softctl.modbus.clients import Network, parse_networks
from softctl.values.units import parse_quantity

_BYTE_RATE: Final = re.compile(r"(\d{1,7}) ?B/s")
_LAST_ADDRESS: Final = 0xFFFF


def _is_whole(value: object, low: int, high: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and low <= value <= high


def _several(low: int, high: int, example: str) -> Checked:
    """One whole number or a list of them, held as a frozen set."""

    def check(value: object) -> object:
        numbers = value if isinstance(value, list) else [value]
        if numbers and all(_is_whole(number, low, high) for number in numbers):
            return frozenset(numbers)
        return refuse(f"a whole number from {low} to {high}, or a list such as {example}", value)

    one = {"type": "integer", "minimum": low, "maximum": high}
    return Checked(check, {"anyOf": [one, {"type": "array", "items": one, "minItems": 1}]})


def _networks(value: object) -> object:
    given = value if isinstance(value, list) else [value]
    texts = [text for text in given if isinstance(text, str)]
    if texts and len(texts) == len(given):
        try:
            return parse_networks(texts)
        except ValueError:
            pass
    return refuse("an address or a network such as '192.0.2.0/24', or a list of them", value)


def _addresses(value: object) -> object:
    """One address, or the first and the last of some; held as both."""
    ends: list[Any] = value if isinstance(value, list) else [value, value]
    if len(ends) == 2 and all(_is_whole(end, 0, _LAST_ADDRESS) for end in ends):
        first, last = ends
        if first <= last:
            return first, last
    return refuse(f"an address from 0 to {_LAST_ADDRESS}, or first and last as [0, 9]", value)


def _share(value: object) -> object:
    """A share above 0 and up to 1; a bare number is one, `10 %` is 0.1."""
    share = -1.0
    if is_number(value):
        share = float(value)  # type: ignore[arg-type]
    elif isinstance(value, str):
        try:
            share = parse_quantity(value, "")
        except ValueError:
            share = -1.0
    return share if 0 < share <= 1 else refuse("a share above 0 such as '10 %' or 0.1", value)


def _byte_rate(value: object) -> object:
    match = _BYTE_RATE.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is not None and 1 <= int(match[1]) <= 1_000_000:
        return int(match[1])
    return refuse("bytes a second such as '100 B/s', 1 to 1000000", value)


def _offset(limit: int) -> Checked:
    """What is added to a field of the header; 0 would change nothing."""

    def check(value: object) -> object:
        if _is_whole(value, -limit, limit) and value != 0:
            return value
        return refuse(f"a whole number from {-limit} to {limit} other than 0", value)

    return Checked(check, {"type": "integer", "minimum": -limit, "maximum": limit})


def _schema(*types: str) -> dict[str, Any]:
    return {"type": list(types)}


Networks = Annotated[tuple[Network, ...], Checked(_networks, _schema("string", "array"))]
Units = Annotated[frozenset[int], _several(0, 255, "[1, 2]")]
Functions = Annotated[frozenset[int], _several(1, 127, "[3, 4]")]
Addresses = Annotated[tuple[int, int], Checked(_addresses, _schema("integer", "array"))]
Share = Annotated[float, Checked(_share, _schema("number", "string"))]
ByteRate = Annotated[int, Checked(_byte_rate, _schema("string"))]
WordOffset = Annotated[int, _offset(0xFFFF)]
ByteOffset = Annotated[int, _offset(0xFF)]
