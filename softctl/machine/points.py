"""Builds the points of a machine file, still without their HMI addresses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TypeVar

from softctl.machine.addresses import Request, allocate
from softctl.machine.document import describe
from softctl.machine.fields import ContactState
from softctl.machine.hmi_keys import HmiSection, read_hmi_keys
from softctl.machine.model import Address, Card, Number, Point, Role, Value
from softctl.machine.read_values import read_number, read_value, show_value, zero
from softctl.machine.reader import Named, Reader
from softctl.machine.section import Section
from softctl.machine.sections import (
    CommandSection,
    FieldPointSection,
    SetpointSection,
    StateSection,
    StepSection,
)
from softctl.values.names import suggest
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType, Kind
from softctl.values.units import to_si

_SECTIONS: dict[str, type[Section]] = {
    Role.COMMAND.value: CommandSection,
    Role.SETPOINT.value: SetpointSection,
    Role.STATE.value: StateSection,
    Role.STEP.value: StepSection,
}
_BOOL, _REAL, _LREAL, _UINT = (ELEMENTARY_TYPES[name] for name in ("BOOL", "REAL", "LREAL", "UINT"))

S = TypeVar("S", bound=Section)


@dataclass(slots=True)
class Draft:
    """A point on its way.

    `channel`, `hmi_address` and `bit` are pins, `on_hmi` is its wish to be seen.
    """

    point: Point
    named: Named
    channel: int | None = None
    hmi_address: int | None = None
    on_hmi: bool = True
    bit: int | None = None


class PointReader:
    """Reads points one by one; `cards` holds the good cards, `card_names` all of them."""

    def __init__(
        self, reader: Reader, cards: Mapping[str, Card], card_names: Mapping[str, Named]
    ) -> None:
        self._reader = reader
        self._cards = cards
        self._card_names = card_names

    def read(self, named: Named) -> Draft | None:
        """The draft of a point, or None after complaints."""
        if not isinstance(named.entry.value, dict):
            got = describe(named.entry.value)
            self._reader.complain(f"expected keys such as 'card' or 'role', got {got}", named.place)
            return None
        model = self._model(named)
        section = None if model is None else self._reader.section(named, model)
        if isinstance(section, StepSection):
            return self._step(named, section)
        if not isinstance(section, HmiSection):
            return None
        draft = self._draft(named, section)
        if draft is None:
            return None
        point = read_hmi_keys(self._reader, named, section, draft.point)
        return None if point is None else replace(draft, point=point, bit=section.bit)

    def _draft(self, named: Named, section: HmiSection) -> Draft | None:
        if isinstance(section, FieldPointSection):
            return self._field_point(named, section)
        if isinstance(section, CommandSection):
            return self._command(named, section)
        if isinstance(section, SetpointSection):
            return self._setpoint(named, section)
        return self._state(named, section)

    def _model(self, named: Named) -> type[Section] | None:
        """Which of the five shapes a point has."""
        keys = named.entry.keys
        if "card" in keys:
            return FieldPointSection
        if "role" in keys:
            return self._model_of_role(named)
        hints = (suggest(key, ("card", "role")) for key in keys)
        self._reader.complain(
            f"expected 'card' for a wired signal, or 'role' ({', '.join(_SECTIONS)}), in "
            f"{named.name}; got neither",
            named.place,
            next((hint for hint in hints if hint), ""),
        )
        return None

    def _model_of_role(self, named: Named) -> type[Section] | None:
        role = named.raw("role")
        if isinstance(role, str) and role in _SECTIONS:
            return _SECTIONS[role]
        hint = suggest(role, _SECTIONS) if isinstance(role, str) else ""
        if role in (Role.INPUT.value, Role.OUTPUT.value):
            hint = "a wired signal has a 'card', and its role follows from that"
        self._reader.complain(
            f"expected a role among {', '.join(_SECTIONS)}; got {describe(role)}",
            named.where("role"),
            hint,
        )
        return None

    # Wired signals

    def _field_point(self, named: Named, section: FieldPointSection) -> Draft | None:
        card = self._card(named, section.card)
        if card is None or not self._suits(named, section, card):
            return None
        type_ = _BOOL if card.kind.is_digital else _REAL
        unit, scale, offset = _unit(section.unit)
        # The ends of a range scale the counts: a REAL's rounding would only spoil them.
        limits = self._limits(named, _LREAL, unit)
        fail_safe = self._fail_safe(named, card, type_, unit, limits)
        if None in limits and not card.kind.is_digital:
            return None
        point = Point(
            name=named.name,
            role=Role.INPUT if card.kind.is_input else Role.OUTPUT,
            type=type_,
            place=named.place,
            description=section.description,
            unit=unit,
            low=limits[0],
            high=limits[1],
            initial=zero(type_) if fail_safe is None else fail_safe,
            fail_safe=fail_safe,
            inverted=section.true_when is ContactState.OPEN,
            card=card.name,
            terminal=section.wired,
            terminal_place=named.where("wired"),
            raw=None if card.kind.is_digital else card.raw,
            si_scale=scale,
            si_offset=offset,
        )
        return Draft(point, named, section.channel, section.hmi_address, section.hmi)

    def _card(self, named: Named, name: str) -> Card | None:
        if name in self._cards:
            return self._cards[name]
        if name not in self._card_names:
            known = ", ".join(self._card_names) or "none"
            self._reader.complain(
                f"expected a card among {known}; got '{name}'",
                named.where("card"),
                suggest(name, self._card_names),
            )
        return None

    def _suits(self, named: Named, section: FieldPointSection, card: Card) -> bool:
        """Complains about keys that do not go with the card's kind."""
        before = len(self._reader.problems)
        keys, kind = named.entry.keys, card.kind
        role = Role.INPUT if kind.is_input else Role.OUTPUT
        unsuitable = {
            "unit": not kind.is_digital,
            "range": not kind.is_digital,
            "true_when": kind.is_digital and kind.is_input,
            "fail_safe": not kind.is_input,
        }
        for key, is_suitable in unsuitable.items():
            if key in keys and not is_suitable:
                self._complain_of(named, key, f"no '{key}' on the {kind.value} card {card.name}")
        if section.role not in (None, role):
            self._complain_of(named, "role", f"{role.value}, since {card.name} is {kind.value}")
        if not section.hmi and section.hmi_address is not None:
            self._complain_of(named, "hmi_address", "no 'hmi_address' beside 'hmi: false'")
        for key in ("range",) if not kind.is_digital else ():
            self._require(named, key, f"the values at the ends of {card.name}'s counts")
        if not kind.is_input:
            self._require(named, "fail_safe", "the value of the output without the field link")
        return len(self._reader.problems) == before

    def _require(self, named: Named, key: str, what: str) -> None:
        if key not in named.entry.keys:
            self._reader.complain(
                f"expected the key '{key}' ({what}) in {named.name}, got none", named.place
            )

    def _complain_of(self, named: Named, key: str, expected: str) -> None:
        got = describe(named.raw(key))
        self._reader.complain(f"expected {expected}, got {got}", named.where(key))

    def _fail_safe(
        self,
        named: Named,
        card: Card,
        type_: ElementaryType,
        unit: str,
        limits: tuple[Number | None, Number | None],
    ) -> Value | None:
        if card.kind.is_input:
            return None
        return self._value(named, "fail_safe", type_, unit, limits)

    # What an operator or a program sets

    def _command(self, named: Named, section: CommandSection) -> Draft:
        point = Point(
            name=named.name,
            role=Role.COMMAND,
            type=_BOOL,
            place=named.place,
            description=section.description,
            hold=section.hold,
        )
        return Draft(point, named, hmi_address=section.hmi_address)

    def _setpoint(self, named: Named, section: SetpointSection) -> Draft | None:
        type_ = section.type
        if not self._may_have(named, type_, "unit", type_.is_numeric):
            return None
        if not self._may_have(named, type_, "range", _has_order(type_)):
            return None
        unit, scale, offset = _unit(section.unit)
        limits = self._limits(named, type_, unit)
        point = Point(
            name=named.name,
            role=Role.SETPOINT,
            type=type_,
            place=named.place,
            description=section.description,
            unit=unit,
            low=limits[0],
            high=limits[1],
            initial=self._initial(named, type_, unit, limits),
            si_scale=scale,
            si_offset=offset,
        )
        return Draft(point, named, hmi_address=section.hmi_address)

    def _state(self, named: Named, section: StateSection) -> Draft | None:
        type_ = section.type
        if not self._may_have(named, type_, "unit", type_.is_numeric):
            return None
        if not self._may_have(named, type_, "range", _has_order(type_)):
            return None
        unit, scale, offset = _unit(section.unit)
        limits = self._limits(named, type_, unit)
        is_own = section.source.upper() == named.name.upper()
        point = Point(
            name=named.name,
            role=Role.STATE,
            type=type_,
            place=named.place,
            description=section.description,
            unit=unit,
            low=limits[0],
            high=limits[1],
            initial=self._initial(named, type_, unit, (None, None)),
            source="" if is_own else section.source,
            si_scale=scale,
            si_offset=offset,
        )
        return Draft(point, named, hmi_address=section.hmi_address)

    def _step(self, named: Named, section: StepSection) -> Draft:
        point = Point(
            name=named.name,
            role=Role.STEP,
            type=_UINT,
            place=named.place,
            description=section.description,
            initial=0,
            chart=section.chart,
            refresh_ns=section.refresh,
        )
        return Draft(point, named, hmi_address=section.hmi_address)

    def _may_have(self, named: Named, type_: ElementaryType, key: str, is_suitable: bool) -> bool:
        if key in named.entry.keys and not is_suitable:
            self._complain_of(named, key, f"no '{key}' beside the type {type_.name}")
            return False
        return True

    # Values

    def _initial(
        self,
        named: Named,
        type_: ElementaryType,
        unit: str,
        limits: tuple[Number | None, Number | None],
    ) -> Value:
        """The declared initial value, else the one nearest to zero within the limits."""
        if "initial" in named.entry.keys:
            found = self._value(named, "initial", type_, unit, limits)
            return zero(type_) if found is None else found
        low, high = limits
        value = zero(type_)
        if isinstance(value, str):
            return value
        if low is not None and value < low:
            return low
        return high if high is not None and value > high else value

    def _value(
        self,
        named: Named,
        key: str,
        type_: ElementaryType,
        unit: str,
        limits: tuple[Number | None, Number | None],
    ) -> Value | None:
        """The value under `key`, or None after a complaint."""
        try:
            value = read_value(named.raw(key), type_, unit)
        except ValueError as error:
            self._reader.complain(str(error), named.where(key))
            return None
        low, high = limits
        if isinstance(value, str) or low is None or high is None:
            return value
        if not low <= value <= high:
            shown = f"{show_value(low, type_)} to {show_value(high, type_)} {unit}".rstrip()
            self._complain_of(named, key, f"a value within the range {shown}")
            return None
        return value

    def _limits(
        self, named: Named, type_: ElementaryType, unit: str
    ) -> tuple[Number, Number] | tuple[None, None]:
        """The two ends of `range`, or two times None when there is none or it is wrong."""
        if "range" not in named.entry.keys:
            return None, None
        ends: list[Number] = []
        for index in (0, 1):
            try:
                ends.append(read_number(named.raw("range", index), type_, unit))
            except ValueError as error:
                self._reader.complain(str(error), named.where("range", index))
        if len(ends) < 2:
            return None, None
        low, high = ends
        if low >= high:
            shown = f"[{show_value(low, type_)}, {show_value(high, type_)}]"
            self._reader.complain(
                f"expected a range whose first value is below its second, got {shown}",
                named.where("range"),
            )
            return None, None
        return low, high


def assign_channels(
    drafts: list[Draft], cards: Mapping[str, Card], reader: Reader
) -> dict[str, tuple[int, Address]]:
    """The channel and the field address of each wired point, by its name.

    Pinned channels come first, the other points take the free ones in the file's order.
    """
    assigned: dict[str, tuple[int, Address]] = {}
    for card in cards.values():
        wired = [draft for draft in drafts if draft.point.card == card.name]
        requests = [
            Request(
                name=draft.point.name,
                count=1,
                place=draft.named.where("channel"),
                pin=draft.channel,
            )
            for draft in wired
        ]
        found = allocate(
            requests, reader.problems, size=card.channels, of="channels", where=card.name
        )
        for name, channel in found.items():
            assigned[name] = (channel, Address(card.table, card.first + channel))
    return assigned


def _has_order(type_: ElementaryType) -> bool:
    """Whether values of the type lie between two others: a truth value and a text do not."""
    return type_.kind not in (Kind.BOOL, Kind.STRING)


def _unit(text: str | None) -> tuple[str, float, float]:
    """A unit with its scale and offset to SI; none is a plain number."""
    if not text:
        return "", 1.0, 0.0
    return (text, *to_si(text))
