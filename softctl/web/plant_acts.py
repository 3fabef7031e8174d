"""Breaking things on purpose from a page: equipment of the plant, and the wire."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from softctl.errors import ProblemsError, SoftctlError
from softctl.machine import Machine
from softctl.modbus.faults import Faults, Rule
from softctl.plant import Fault, Plant
from softctl.web.access import Person, Role
from softctl.web.actions import SECOND_NS, Act, Message, number, text
from softctl.web.bench import Bench, Row
from softctl.web.values import to_json
from softctl.wire import parse_wire_faults
from softctl.wire.sections import EFFECTS, FaultSection

_UNITS = {
    "gap": "s",
    "random": "s",
    "keep": "bytes",
    "size": "bytes",
    "rate": "bytes/s",
    "code": "code",
    "share": "share",
    "point": "point",
}
_NOT_FIELDS = ("effect", "after", "until", "active")


def plant_acts(bench: Bench, plant: Plant) -> dict[str, Act]:
    """Break and mend equipment."""

    async def break_(person: Person, message: Message) -> Mapping[str, Any]:
        equipment, name = text(message, "equipment"), text(message, "name")
        size = None if message.get("size") is None else number(message, "size")
        for_s = None if message.get("for_s") is None else number(message, "for_s")
        at_ns = plant.now_ns + int(number(message, "after_s", 0.0) * SECOND_NS)
        for_ns = None if for_s is None else int(for_s * SECOND_NS)
        plant.inject(Fault(equipment, name, at_ns, for_ns, size))
        times = {"size": size, "for_s": for_s, "after_s": message.get("after_s")}
        said = {key: value for key, value in times.items() if value is not None}
        bench.note("fault", f"{equipment}: {name}", "broken", person.source, **said)
        return {}

    async def mend(person: Person, message: Message) -> Mapping[str, Any]:
        equipment = text(message, "equipment")
        name = "" if message.get("name") is None else text(message, "name")
        plant.mend(equipment, name)
        bench.note("fault", f"{equipment}: {name or 'everything'}", "mended", person.source)
        return {}

    return {"break": Act(Role.ENGINEER, break_), "mend": Act(Role.ENGINEER, mend)}


class WireDesk:
    """Wire faults that people switch on the page; each ends by itself."""

    def __init__(self, bench: Bench, servers: Mapping[str, Faults]) -> None:
        self._bench = bench
        self._servers = servers
        self._mine: list[tuple[Faults, Rule]] = []

    def acts(self) -> dict[str, Act]:
        """Begin and end them."""
        return {"wire": Act(Role.ENGINEER, self._begin), "unwire": Act(Role.ENGINEER, self._end)}

    async def tidy(self) -> None:
        """Take rules away whose time is over, so that requests go the short way again."""
        now_ns = time.monotonic_ns()
        for faults, rule in tuple(self._mine):
            until_ns = rule.scope.until_ns
            if until_ns is not None and now_ns - faults.started_ns >= until_ns:
                self._remove(faults, rule)

    async def _begin(self, person: Person, message: Message) -> Mapping[str, Any]:
        server, effect = text(message, "server"), text(message, "effect")
        faults = self._servers.get(server)
        if faults is None:
            known = " or ".join(self._servers)
            raise SoftctlError(f"expected a server of this process ({known}), got {server}")
        for_s = number(message, "for_s")
        if not 0 < for_s <= 86_400:
            raise SoftctlError(f"expected a time above 0 and up to 86400 s, got {for_s:g} s")
        given = {
            key: value
            for key, value in message.items()
            if key not in ("id", "do", "server", "for_s", "name") and value is not None
        }
        name = str(message.get("name") or effect)
        rule = _rule(self._bench.machine, server, name, given)
        since_ns = time.monotonic_ns() - faults.started_ns
        until_ns = since_ns + int(for_s * SECOND_NS)
        rule = replace(rule, scope=replace(rule.scope, from_ns=since_ns, until_ns=until_ns))
        for other, old in tuple(self._mine):
            if other is faults and old.name == name:
                self._remove(other, old)
        faults.add(rule)
        self._mine.append((faults, rule))
        what = f"wire fault begins: {rule.effect.title}"
        self._bench.note("fault", f"{server}: {name}", what, person.source, for_s=for_s)
        return {"name": name}

    async def _end(self, person: Person, message: Message) -> Mapping[str, Any]:
        name = None if message.get("name") is None else text(message, "name")
        ended = [pair for pair in self._mine if name in (None, pair[1].name)]
        if name is not None and not ended:
            known = ", ".join(rule.name for _, rule in self._mine) or "there is none"
            raise SoftctlError(f"expected a wire fault of this page ({known}), got {name}")
        for faults, rule in ended:
            self._remove(faults, rule)
            self._bench.note("fault", rule.name, "wire fault ended", person.source)
        return {"ended": [rule.name for _, rule in ended]}

    def _remove(self, faults: Faults, rule: Rule) -> None:
        self._mine.remove((faults, rule))
        if rule in faults.rules:  # a file of wire faults that changed may have taken it out
            faults.remove(rule)


def _rule(machine: Machine, server: str, name: str, given: Mapping[str, Any]) -> Rule:
    """The rule that a file with these keys would have; raises SoftctlError as for a file."""
    document = to_json({server: {name: dict(given)}})
    try:
        plan = parse_wire_faults(document, "the page", machine)
    except ProblemsError as error:
        raise SoftctlError("; ".join(problem.message for problem in error.problems)) from None
    (rule,) = (*plan.field, *plan.hmi)
    return rule


def wire_effects() -> Iterator[Row]:
    """What can go wrong on the wire, with the keys that each effect takes."""
    for effect, section in EFFECTS.items():
        head = (section.__doc__ or "").strip().partition("\n")[0]
        yield {"name": effect, "text": head, "fields": list(_fields(section))}


def _fields(section: type[FaultSection]) -> Iterator[Row]:
    for key, field in section.model_fields.items():
        if key in _NOT_FIELDS:
            continue
        needed = field.is_required()
        unit = _UNITS.get(key, "")
        if key == "by":
            unit = "s" if section is EFFECTS["delay"] else "number"
        yield {
            "name": key,
            "text": field.description or "",
            "needed": needed,
            "default": None if needed else _plain(field.default),
            "unit": unit,
        }


def _plain(value: Any) -> Any:
    """A default that JSON can hold; an empty collection is none."""
    return value if isinstance(value, int | float | str | bool) else None
