"""Reads a file of wire faults: all of its errors at once, or the rules of each server."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Annotated, Final

from pydantic import Field

from softctl.errors import Place, ProblemsError
from softctl.machine import Address, Machine
from softctl.machine.document import Entry, describe, read_document
from softctl.machine.fields import whole
from softctl.machine.reader import Named, Reader, in_file_order
from softctl.machine.section import Section
from softctl.machine.security import without
from softctl.modbus.faults import Rule, Scope
from softctl.values.names import suggest
from softctl.wire.sections import (
    EFFECTS,
    AnySection,
    FaultSection,
    HeartbeatSection,
    RequestSection,
)

SERVERS: Final = ("field", "hmi")
_HEARTBEAT: Final = "HEARTBEAT"


@dataclass(frozen=True, slots=True)
class WireFaults:
    """The rules of the two servers, in the order of the file."""

    field: tuple[Rule, ...] = ()
    hmi: tuple[Rule, ...] = ()


class FileSection(Section):
    """The plain keys at the top of the file."""

    seed: Annotated[int, whole(0, 2**63 - 1)] = Field(default=1, description="seed of chances")


def parse_wire_faults(text: str, file: str, machine: Machine) -> WireFaults:
    """The faults that a file declares for a machine's servers; `file` is its name in messages.

    Raises ProblemsError with every error of the file, in the order of its lines.
    """
    reader = Reader()
    try:
        document = read_document(text, file, reader.problems, "'hmi:' and 'field:'")
    except ProblemsError as error:
        raise ProblemsError(in_file_order(error.problems, text)) from None
    faults = _FaultReader(reader, machine, document, file).read()
    if reader.problems:
        raise ProblemsError(in_file_order(reader.problems, text))
    return faults


class _FaultReader:
    def __init__(self, reader: Reader, machine: Machine, document: Entry, file: str) -> None:
        self._reader = reader
        self._machine = machine
        self._top = Named("the file", Place(file, 1, 1), document)
        self._seed = 1

    def read(self) -> WireFaults:
        known = ("seed", *SERVERS)
        for key, place in self._top.entry.keys.items():
            if key not in known:
                self._reader.complain(
                    f"expected a key among {', '.join(known)}; got '{key}'",
                    place,
                    suggest(key, known),
                )
        head = self._reader.section(
            without(self._top, *(key for key in self._top.entry.keys if key != "seed")),
            FileSection,
        )
        self._seed = 1 if head is None else head.seed
        return WireFaults(*(tuple(self._rules(server)) for server in SERVERS))

    def _rules(self, server: str) -> Iterator[Rule]:
        entry = self._top.entry.child(server)
        if entry is None:
            return
        part = Named(server, self._top.entry.keys[server], entry)
        for named in self._reader.children(part, "faults"):
            section = self._section(named)
            scope = None if section is None else self._scope(named, section, server)
            if section is not None and scope is not None and section.active:
                seed = f"{self._seed} {server} {named.name}"
                yield Rule(section.make(), scope, named.name, seed)

    def _section(self, named: Named) -> FaultSection | None:
        words = ", ".join(EFFECTS)
        if not isinstance(named.entry.value, dict):
            got = describe(named.entry.value)
            self._reader.complain(f"expected keys such as 'effect', got {got}", named.place)
            return None
        if "effect" not in named.entry.value:
            self._reader.complain(
                f"expected 'effect' ({words}) in {named.name}, got none", named.place
            )
            return None
        effect = named.raw("effect")
        if not isinstance(effect, str) or effect not in EFFECTS:
            self._reader.complain(
                f"expected an effect ({words}), got {describe(effect)}",
                named.where("effect"),
                suggest(effect, EFFECTS) if isinstance(effect, str) else "",
            )
            return None
        return self._reader.section(named, EFFECTS[effect])

    def _scope(self, named: Named, section: FaultSection, server: str) -> Scope | None:
        if section.until is not None and section.until <= section.after:
            self._reader.complain(
                f"expected 'until' to be later than 'after', got "
                f"{section.until / 1e9:g} s after {section.after / 1e9:g} s",
                named.where("until"),
            )
            return None
        scope = Scope(
            clients=section.client,
            probability=section.share,
            from_ns=section.after,
            until_ns=section.until,
        )
        if isinstance(section, AnySection):
            scope = replace(scope, units=section.unit, functions=section.function)
        if isinstance(section, HeartbeatSection):
            return self._about(scope, _HEARTBEAT, server, named.where("effect"))
        if isinstance(section, RequestSection):
            return self._addressed(scope, section, named, server)
        return scope

    def _addressed(
        self, scope: Scope, section: RequestSection, named: Named, server: str
    ) -> Scope | None:
        if section.point is None:
            first, last = section.addresses or (scope.first, scope.last)
            return replace(scope, table=section.table, first=first, last=last)
        for key in ("table", "addresses"):
            if getattr(section, key) is not None:
                self._reader.complain(
                    f"expected '{key}' or 'point', got both in {named.name}", named.where(key)
                )
                return None
        return self._about(scope, section.point, server, named.where("point"))

    def _about(self, scope: Scope, name: str, server: str, place: Place) -> Scope | None:
        """The scope kept to the addresses of one point."""
        address = self._address(name, server, place)
        if address is None:
            return None
        if server == "field" and len(self._machine.field_units) > 1:
            unit = self._machine.field_unit(self._machine.points[name])
            scope = replace(scope, units=scope.units or frozenset({unit}))
        return replace(
            scope,
            table=address.table,
            first=address.address,
            last=address.address + address.count - 1,
        )

    def _address(self, name: str, server: str, place: Place) -> Address | None:
        points = self._machine.points
        there = {
            key: address
            for key, point in points.items()
            if (address := point.field if server == "field" else point.hmi) is not None
        }
        if name in there:
            return there[name]
        if name in points:
            message = f"expected a point of the {server} server, got '{name}', which is not on it"
        else:
            message = f"expected a point of the machine, got '{name}'"
        self._reader.complain(message, place, suggest(name, there))
        return None
