"""The kinds of values that a machine file holds, as types for pydantic.

Each checks its value itself, so that a message always reads "expected …, got …", and says
what an editor may offer for it.
"""

from __future__ import annotations

import ipaddress
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Annotated, Any, Final, NoReturn

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from softctl.machine.document import describe
from softctl.machine.model import CardKind
from softctl.values.names import explain_bad_name, suggest
from softctl.values.registers import WordOrder
from softctl.values.texts import text_type
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType
from softctl.values.units import parse_duration, to_si

EXPECTED: Final = "expected"
"""The type of an error whose whole message is its own."""

SCHEMA_DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
"""What a JSON Schema of ours says of itself."""

_HOST: Final = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]{0,251}[A-Za-z0-9])?")
_STRING: Final = {"type": "string"}
_SHORT_TEXT: Final = 200
"""Characters of an identification object; one has to fit a reply of 253 bytes."""


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """Marks a field: `check` gives the value to keep or refuses, `schema` is for editors."""

    check: Callable[[object], object]
    schema: Mapping[str, Any]

    def __get_pydantic_core_schema__(self, _: Any, __: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.check)

    def __get_pydantic_json_schema__(
        self, _: CoreSchema, __: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return dict(self.schema)


def refuse(expected: str, value: object, hint: str = "") -> NoReturn:
    """Raise pydantic's error with our words."""
    fail(f"expected {expected}, got {describe(value)}", hint)


def fail(message: str, hint: str = "") -> NoReturn:
    """Raise pydantic's error with a message of its own."""
    raise PydanticCustomError(EXPECTED, "{message}", {"message": message, "hint": hint})


def is_number(value: object) -> bool:
    """True for a finite number, which a truth value is not."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _text(value: object) -> object:
    if not isinstance(value, str):
        hint = "put it in quotes" if value is not None else ""
        refuse("text", value, hint)
    if not value.strip():
        refuse("text", value)
    return value


def _identifier(value: object) -> object:
    bad = explain_bad_name(value) if isinstance(value, str) else ""
    if bad:
        fail(bad)
    return value if isinstance(value, str) else refuse("a name", value)


def _truth(value: object) -> object:
    return value if isinstance(value, bool) else refuse("true or false", value)


def _host(value: object) -> object:
    if isinstance(value, str) and (_is_address(value) or _is_name(value)):
        return value
    return refuse("a host name or an IP address such as 127.0.0.1", value)


def _is_name(text: str) -> bool:
    """A host name does not end in a figure: that would be a mistyped address."""
    return bool(_HOST.fullmatch(text)) and not text[-1].isdigit()


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def _program(value: object) -> object:
    if isinstance(value, str) and re.fullmatch(r"[\w-][\w.-]*\.st", value, re.IGNORECASE):
        return value
    return refuse("the name of an .st file in the machine's folder", value)


def _unit(value: object) -> object:
    if not isinstance(value, str):
        refuse("a unit such as 'm' or 'L/min'", value)
    try:
        to_si(value)
    except ValueError:
        refuse("a unit that is known, such as 'm', 'L/min' or 'degC'", value)
    return value


def _value(value: object) -> object:
    if isinstance(value, bool | str) or is_number(value):
        return value
    return refuse("a number, true, false or a quantity such as '1.2 m'", value)


def _pair(value: object) -> object:
    if isinstance(value, list | tuple) and len(value) == 2:
        return tuple(value)
    return refuse("two values such as [0, 1.38]", value)


def _names(value: object) -> object:
    """One name, or a list of names."""
    names = value if isinstance(value, list) else [value]
    if all(isinstance(name, str) and name.strip() for name in names):
        return tuple(names)
    return refuse("a name or a list of names such as [commands, STIR_TIME]", value)


def _register_type(value: object) -> object:
    text = re.fullmatch(r"(W?STRING)(?:\[(\d{1,6})\])?", str(value).upper())
    if isinstance(value, str) and text is not None:
        return _text_type(text[1], text[2])
    if not isinstance(value, str) or value.upper() not in _TYPE_NAMES:
        hint = suggest(value, _TYPE_NAMES) if isinstance(value, str) else ""
        refuse("an elementary type such as BOOL, INT, REAL or TIME", value, hint)
    return ELEMENTARY_TYPES[value.upper()]


def _text_type(name: str, length: str | None) -> ElementaryType:
    if length is None:
        refuse(f"a length behind {name}, such as {name}[20]", name)
    try:
        return text_type(name, int(length))
    except ValueError as error:
        fail(str(error))


def _count_type(value: object) -> object:
    if isinstance(value, str) and value.upper() in _COUNT_TYPES:
        return ELEMENTARY_TYPES[value.upper()]
    hint = suggest(value, _COUNT_TYPES) if isinstance(value, str) else ""
    return refuse("a whole-number type such as INT or UDINT", value, hint)


def _network(value: object) -> object:
    """An address or network; `192.0.2.7/24`, which is neither, is refused."""
    if isinstance(value, str):
        try:
            ipaddress.ip_network(value)
        except ValueError:
            pass
        else:
            return value
    return refuse("an address or a network such as '192.0.2.0/24'", value)


def _short_text(value: object) -> object:
    if isinstance(value, str) and value.isascii() and value.isprintable():
        if 0 < len(value) <= _SHORT_TEXT:
            return value
        got = f"{len(value)} of them"
        fail(f"expected 1 to {_SHORT_TEXT} characters, got {got}")
    hint = "put it in quotes" if is_number(value) else ""
    return refuse("printable ASCII text", value, hint)


def whole(low: int, high: int) -> Checked:
    """The check of whole numbers from `low` to `high`."""

    def check(value: object) -> object:
        if isinstance(value, int) and not isinstance(value, bool) and low <= value <= high:
            return value
        return refuse(f"a whole number from {low} to {high}", value)

    return Checked(check, {"type": "integer", "minimum": low, "maximum": high})


def shares(low: float, high: float) -> Checked:
    """The check of plain numbers from `low` to `high` by name."""

    def check(value: object) -> object:
        if isinstance(value, dict) and all(
            is_number(v) and low <= v <= high for v in value.values()
        ):
            return {name: float(number) for name, number in value.items()}
        return refuse(f"numbers from {low:g} to {high:g} by name", value)

    number = {"type": "number", "minimum": low, "maximum": high}
    return Checked(check, {"type": "object", "additionalProperties": number})


def duration(low: str, high: str) -> Checked:
    """The check of durations from `low` to `high`, held as nanoseconds."""
    low_ns, high_ns = _plain_duration_ns(low), _plain_duration_ns(high)

    def check(value: object) -> object:
        if isinstance(value, str):
            try:
                found = parse_duration(value)
            except ValueError:
                found = -1
            if low_ns <= found <= high_ns:
                return found
        return refuse(f"a time from '{low}' to '{high}'", value)

    return Checked(check, {"type": "string", "examples": [low]})


def _plain_duration_ns(text: str) -> int:
    """A limit in the code, read without waking pint at import."""
    number, unit = text.split()
    return int(number) * {"us": 1_000, "ms": 1_000_000, "s": 1_000_000_000}[unit]


def choice(enum: type[Enum], *members: Enum) -> Checked:
    """The check of an enumeration written as its members' values (all, or those given)."""
    words = [str(member.value) for member in members or tuple(enum)]
    return Checked(_choose(enum, words), {"enum": words})


def _choose(enum: type[Enum], words: list[str]) -> Callable[[object], object]:
    def check(value: object) -> object:
        if isinstance(value, str) and value in words:
            return enum(value)
        hint = suggest(value, words) if isinstance(value, str) else ""
        return refuse(" or ".join(words), value, hint)

    return check


class ContactState(Enum):
    """The state of a contact in which a point is TRUE."""

    CLOSED = "closed"
    OPEN = "open"


_TYPE_NAMES: Final = [t.name for t in ELEMENTARY_TYPES.values() if t.bits]
_COUNT_TYPES: Final = [t.name for t in ELEMENTARY_TYPES.values() if t.is_integer and t.bits >= 16]
_TYPE_SCHEMA: Final = {
    "anyOf": [
        {"enum": _TYPE_NAMES},
        {"type": "string", "pattern": r"^W?STRING\[[1-9][0-9]{0,2}\]$"},
    ]
}

Text = Annotated[str, Checked(_text, _STRING)]
Identifier = Annotated[str, Checked(_identifier, _STRING)]
Truth = Annotated[bool, Checked(_truth, {"type": "boolean"})]
Host = Annotated[str, Checked(_host, _STRING)]
Program = Annotated[str, Checked(_program, {"type": "string", "pattern": r"\.st$"})]
Unit = Annotated[str, Checked(_unit, _STRING)]
AnyValue = Annotated[Any, Checked(_value, {"type": ["number", "string", "boolean"]})]
Names = Annotated[
    tuple[str, ...],
    Checked(_names, {"anyOf": [_STRING, {"type": "array", "items": _STRING}]}),
]
Pair = Annotated[
    tuple[Any, Any],
    Checked(
        _pair,
        {
            "type": "array",
            "items": {"type": ["number", "string"]},
            "minItems": 2,
            "maxItems": 2,
        },
    ),
]
RegisterType = Annotated[ElementaryType, Checked(_register_type, _TYPE_SCHEMA)]
CountType = Annotated[ElementaryType, Checked(_count_type, {"enum": _COUNT_TYPES})]
Bit = Annotated[int, whole(0, 15)]
Network = Annotated[str, Checked(_network, _STRING)]
ShortText = Annotated[str, Checked(_short_text, {"type": "string", "maxLength": _SHORT_TEXT})]
Order = Annotated[WordOrder, choice(WordOrder)]
CardKindWord = Annotated[CardKind, choice(CardKind)]
Contact = Annotated[ContactState, choice(ContactState)]
Port = Annotated[int, whole(0, 65_535)]
WireAddress = Annotated[int, whole(0, 65_535)]
