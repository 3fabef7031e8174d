"""Reads a machine file: all of its errors at once, or a machine."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeVar

from softctl.errors import Place, ProblemsError
from softctl.machine.addresses import Request, allocate
from softctl.machine.alarm_points import alarm_points
from softctl.machine.document import Entry, describe, read_document, to_scalar
from softctl.machine.hmi_places import place_on_hmi
from softctl.machine.model import (
    Card,
    CardKind,
    Connections,
    Endpoint,
    Equipment,
    Identification,
    Machine,
    Mqtt,
    PlannedFault,
    Point,
    Scalar,
    Security,
    WatchedAlarm,
)
from softctl.machine.mqtt import read_mqtt
from softctl.machine.points import Draft, PointReader, assign_channels
from softctl.machine.reader import Named, Reader, in_file_order
from softctl.machine.section import Section
from softctl.machine.sections import (
    DEFAULT_COUNTS,
    CardSection,
    ControlSection,
    EndpointSection,
    EquipmentSection,
    FaultSection,
    FieldServerSection,
    HeadSection,
    HmiServerSection,
    MachineFile,
    PlantSection,
)
from softctl.machine.security import read_security, without
from softctl.machine.system_points import system_points
from softctl.machine.watch import read_alarms, read_guards
from softctl.values.names import suggest
from softctl.values.tables import Table

S = TypeVar("S", bound=Section)
E = TypeVar("E", bound=EndpointSection)

_BITS_OF_A_BYTE = 8


def parse_machine(text: str, file: str) -> Machine:
    """The machine that a machine file describes; `file` is its name in messages.

    Raises ProblemsError with every error of the file, in the order of its lines. What the
    equipment's parameters and the points' terminals may be is the plant's to check.
    """
    reader = Reader()
    try:
        document = read_document(text, file, reader.problems)
    except ProblemsError as error:
        raise ProblemsError(in_file_order(error.problems, text)) from None
    machine = _MachineReader(reader, Named("the file", Place(file, 1, 1), document)).read(file)
    if reader.problems:
        raise ProblemsError(in_file_order(reader.problems, text))
    return machine


class _MachineReader:
    """Reads the file's parts in the order in which they depend on one another."""

    def __init__(self, reader: Reader, top: Named) -> None:
        self._reader = reader
        self._top = top

    def read(self, file: str) -> Machine:
        self._check_keys()
        head = self._head()
        control = self._section("control", ControlSection)
        plant = self._section("plant", PlantSection)
        self._check_times(control)
        self._check_rises(plant, head.species)
        field, hmi = self._endpoints()
        cards = self._cards(field.unit)
        points, alarms = self._points(file, cards)
        secured = self._secured("hmi", hmi, points)
        return Machine(
            name=head.name,
            title=head.title,
            description=head.description,
            species=tuple(head.species),
            scan_ns=control.scan,
            fail_safe_after_ns=control.fail_safe_after,
            overrun=control.overrun,
            watchdog_ns=control.watchdog,
            plant_step_ns=plant.step,
            seed=plant.seed,
            density_rise=plant.density_rise,
            field=self._secured("field", field, points),
            hmi=secured,
            drives=tuple(head.drives),
            programs=tuple(self._items("programs")),
            cards=cards,
            equipment={one.name: one for one in self._equipment()},
            points=points,
            faults=tuple(self._faults()),
            alarms=alarms,
            guards=read_guards(self._reader, self._part("guards")),
            mqtt=self._mqtt(head.name, points, secured.security),
            file=file,
        )

    # The top level

    def _check_keys(self) -> None:
        known = list(MachineFile.model_fields)
        for key, place in self._top.entry.keys.items():
            if key not in known:
                self._reader.complain(
                    f"expected a key among {', '.join(known)}; got '{key}'",
                    place,
                    suggest(key, known),
                )

    def _head(self) -> HeadSection:
        """The plain keys of the top level; a stand-in after complaints."""
        own = {
            key: entry
            for key, entry in self._mapping(self._top.entry).items()
            if key in HeadSection.model_fields
        }
        entry = Entry(own, self._top.entry.place, self._top.entry.keys)
        head = self._reader.section(Named("the machine file", self._top.place, entry), HeadSection)
        if head is None:
            return HeadSection(name="unknown", programs=["unknown.st"])
        for key in ("species", "programs", "drives"):
            self._check_unlike(key)
        return head

    def _check_unlike(self, key: str) -> None:
        """Complains about an item of a list that stands there twice."""
        seen: set[object] = set()
        for item in self._items(key):
            word = str(item.value).casefold()
            if word in seen:
                self._reader.complain(
                    f"expected each of {key} once, got '{item.value}' again", item.place
                )
            seen.add(word)

    def _items(self, key: str) -> Iterator[Scalar]:
        entry = self._top.entry.child(key)
        if entry is not None and isinstance(entry.value, tuple):
            for item in entry.value:
                yield to_scalar(item)

    def _part(self, key: str) -> Named:
        """A part of the top level; a missing one is empty."""
        entry = self._top.entry.child(key)
        if entry is None:
            return Named(key, self._top.place, Entry({}, self._top.place))
        return Named(key, self._top.entry.keys[key], entry)

    def _section(self, key: str, model: type[S], **stand_in: Any) -> S:
        """A part of the top level by its model; its defaults after complaints."""
        named = self._part(key)
        is_there = self._top.entry.child(key) is not None
        found = self._reader.section(named, model) if is_there else None
        return model(**stand_in) if found is None else found

    def _check_times(self, control: ControlSection) -> None:
        if control.fail_safe_after < control.scan:
            place = self._part("control")
            self._reader.complain(
                f"expected 'fail_safe_after' to be no shorter than a scan "
                f"({control.scan / 1e6:g} ms), got {control.fail_safe_after / 1e6:g} ms",
                place.where("fail_safe_after"),
            )
        if control.watchdog is not None and control.watchdog < control.scan:
            self._reader.complain(
                f"expected 'watchdog' to be no shorter than a scan ({control.scan / 1e6:g} ms), "
                f"got {control.watchdog / 1e6:g} ms",
                self._part("control").where("watchdog"),
            )

    def _check_rises(self, plant: PlantSection, species: Sequence[str]) -> None:
        for name in plant.density_rise:
            if name not in species:
                self._reader.complain(
                    f"expected one of the species ({', '.join(species) or 'none'}), got '{name}'",
                    self._part("plant").where("density_rise", name),
                    suggest(name, species),
                )

    # Servers

    def _endpoints(self) -> tuple[Endpoint, Endpoint]:
        field = self._endpoint_section("field", FieldServerSection, 15_020)
        hmi = self._endpoint_section("hmi", HmiServerSection, 15_021)
        if field.port == hmi.port != 0 and _meet(field.host, hmi.host):
            place = self._part("hmi").where("port")
            other = self._part("field").where("port")
            self._reader.complain(
                f"expected a port of its own for the HMI server, got {hmi.port}, the field "
                f"server's too",
                place,
                f"the field server's stands at line {other.line}",
            )
        return _endpoint(field), replace(_endpoint(hmi), refresh_ns=hmi.refresh)

    def _endpoint_section(self, key: str, model: type[E], port: int) -> E:
        """A server without its `tls`, which names points and so is read after them."""
        is_there = self._top.entry.child(key) is not None
        bare = without(self._part(key), "tls")
        found = self._reader.section(bare, model) if is_there else None
        return model(port=port) if found is None else found

    def _secured(self, key: str, endpoint: Endpoint, points: Mapping[str, Point]) -> Endpoint:
        security = read_security(self._reader, self._part(key), key, points)
        return replace(endpoint, security=security)

    def _mqtt(
        self, machine: str, points: Mapping[str, Point], security: Security | None
    ) -> Mqtt | None:
        if self._top.entry.child("mqtt") is None:
            return None
        return read_mqtt(self._reader, self._part("mqtt"), machine, points, security)

    # Cards

    def _cards(self, own_unit: int) -> dict[str, Card]:
        self.card_names = {
            named.name: named for named in self._reader.children(self._part("cards"), "cards")
        }
        sections = {
            name: section
            for name, named in self.card_names.items()
            if (section := self._card_section(named)) is not None
        }
        units = {
            name: own_unit if section.unit is None else section.unit
            for name, section in sections.items()
        }
        first: dict[str, int] = {}
        for unit in dict.fromkeys(units.values()):
            there = {name: one for name, one in sections.items() if units[name] == unit}
            where = "the field's" if unit == own_unit else f"the field's unit {unit}'s"
            for table in Table:
                first |= self._place_cards(table, there, where)
        return {
            name: _card(self.card_names[name], section, first[name], units[name])
            for name, section in sections.items()
            if name in first
        }

    def _card_section(self, named: Named) -> CardSection | None:
        section = self._reader.section(named, CardSection)
        if section is not None and section.kind.is_digital and section.raw is not None:
            self._reader.complain(
                f"expected no 'raw' on a {section.kind.value} card, got "
                f"{describe(named.raw('raw'))}",
                named.where("raw"),
            )
            return None
        if section is not None and section.kind is not CardKind.DIGITAL_INPUT and section.filter:
            self._reader.complain(
                f"expected no 'filter' on a {section.kind.value} card, got "
                f"{describe(named.raw('filter'))}",
                named.where("filter"),
            )
            return None
        return section

    def _place_cards(
        self, table: Table, sections: Mapping[str, CardSection], where: str
    ) -> dict[str, int]:
        requests = [
            Request(
                name=name,
                count=section.channels,
                place=self.card_names[name].where("address"),
                alignment=_BITS_OF_A_BYTE if table.is_bits else 1,
                pin=section.address,
            )
            for name, section in sections.items()
            if section.kind.table is table
        ]
        return allocate(requests, self._reader.problems, where=f"{where} {table.value}")

    # Equipment

    def _equipment(self) -> Iterator[Equipment]:
        for named in self._reader.children(self._part("equipment"), "equipment"):
            if not isinstance(named.entry.value, dict):
                got = describe(named.entry.value)
                self._reader.complain(f"expected keys such as 'type', got {got}", named.place)
            elif self._reader.section(named, EquipmentSection) is not None:
                parameters = {
                    key: to_scalar(entry)
                    for key, entry in named.entry.value.items()
                    if key != "type"
                }
                yield Equipment(
                    named.name, named.raw("type"), parameters, named.place, named.where("type")
                )

    # Faults

    def _faults(self) -> Iterator[PlannedFault]:
        entry = self._top.entry.child("faults")
        if entry is None:
            return
        if not isinstance(entry.value, tuple):
            got = describe(entry.value)
            self._reader.complain(
                f"expected a list of faults such as [{{equipment: P_1, fault: motor trip}}], "
                f"got {got}",
                entry.place,
            )
            return
        for item in entry.value:
            named = Named("a fault", item.place, item)
            section = self._reader.section(named, FaultSection)
            if section is not None:
                scalars = {key: to_scalar(one) for key, one in self._mapping(item).items()}
                yield _planned(section, scalars)

    # Points

    def _points(
        self, file: str, cards: Mapping[str, Card]
    ) -> tuple[dict[str, Point], dict[str, WatchedAlarm]]:
        system = system_points(file)
        drafts = list(self._drafts(cards, [point.name for point in system]))
        known = {draft.point.name: draft.point for draft in drafts}
        declared = list(self._part("points").entry.keys)
        names = [point.name for point in system]
        alarms = list(read_alarms(self._reader, self._part("alarms"), known, declared, names))
        drafts += alarm_points(alarms)
        channels = assign_channels(drafts, cards, self._reader)
        hmi = place_on_hmi(drafts, self._reader, file)
        points = {point.name: point for point in system}
        for draft in drafts:
            name = draft.point.name
            channel, address = channels.get(name, (None, None))
            points[name] = replace(draft.point, channel=channel, field=address, hmi=hmi.get(name))
        return points, {alarm.rule.name: alarm for _, alarm in alarms}

    def _drafts(self, cards: Mapping[str, Card], taken: list[str]) -> Iterator[Draft]:
        points = PointReader(self._reader, cards, self.card_names)
        for named in self._reader.children(self._part("points"), "points"):
            if named.name.upper() in taken:
                self._reader.complain(
                    f"expected a name that no system point has, got '{named.name}'", named.place
                )
                continue
            draft = points.read(named)
            if draft is not None:
                yield draft

    def _mapping(self, entry: Entry) -> Mapping[str, Entry]:
        return entry.value if isinstance(entry.value, dict) else {}


def _card(named: Named, section: CardSection, first: int, unit: int) -> Card:
    return Card(
        name=named.name,
        kind=section.kind,
        channels=section.channels,
        order_code=section.order_code,
        description=section.description,
        first=first,
        raw=section.raw or DEFAULT_COUNTS,
        place=named.place,
        unit=unit,
        filter_ns=section.filter,
    )


def _planned(section: FaultSection, scalars: Mapping[str, Scalar]) -> PlannedFault:
    return PlannedFault(
        scalars["equipment"],
        scalars["fault"],
        section.at,
        section.for_,
        section.ramp,
        scalars.get("size"),
    )


def _endpoint(section: EndpointSection) -> Endpoint:
    who = section.connections
    texts = section.identification.model_dump(exclude_none=True)
    return Endpoint(
        section.host,
        section.port,
        section.unit,
        section.word_order,
        unknown_unit=section.unknown_unit,
        connections=Connections(
            who.limit, who.when_full, who.idle, tuple(who.allow), tuple(who.read_only)
        ),
        identification=Identification(**texts),
    )


def _meet(host: str, other: str) -> bool:
    """Whether two servers on one port of these hosts would be in each other's way."""
    return host == other or any(_is_every_address(one) for one in (host, other))


def _is_every_address(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_unspecified
    except ValueError:
        return False
