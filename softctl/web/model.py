"""What a page has to know once: points, equipment, alarms, pictures, channels."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from softctl.machine import Machine, Point, Role
from softctl.machine.register_map import register_map
from softctl.runtime.caution import CAUTION
from softctl.web.access import Person
from softctl.web.bench import Bench, Row
from softctl.web.values import to_json


class Model:
    """The model of the programs that run now; `id` differs where the model does."""

    def __init__(self, bench: Bench, channels: Sequence[str]) -> None:
        self._bench = bench
        self._channels = list(channels)
        self.id = self._id()
        self._text = self._write()

    def body(self, person: Person) -> str:
        """The model as JSON for somebody, with role and name; without one nobody signs in."""
        own = json.dumps({"role": person.role.word, "user": person.name})
        return f"{self._text[:-1]},{own[1:]}"

    def _write(self) -> str:
        bench, machine = self._bench, self._bench.machine
        picture, charts = bench.drawings()
        return to_json(
            {
                "id": self.id,
                "title": machine.title,
                "name": machine.name,
                "caution": CAUTION,
                "can": {name: not why for name, why in bench.why_not.items()},
                "why": {name: why for name, why in bench.why_not.items() if why},
                "channels": self._channels,
                "points": list(_points(machine)),
                "equipment": list(_equipment(machine, bench.equipment_faults())),
                "alarms": list(_alarms(machine)),
                "picture": picture,
                "charts": charts,
                "programs": [
                    {"file": source.name, "lines": len(source.text.splitlines())}
                    for source in bench.sources()
                ],
                "trials": list(bench.trials()),
                "drills": list(bench.drills()),
                "wire_effects": list(bench.wire_effects()),
                "history_clock": bench.history_clock,
                "scan_ns": machine.scan_ns,
            }
        )

    def _id(self) -> str:
        texts = [*self._channels, *(source.text for source in self._bench.sources())]
        return hashlib.sha256("\0".join(texts).encode()).hexdigest()[:12]


def _points(machine: Machine) -> Iterator[Row]:
    places = {row.name: row for row in register_map(machine) if row.server == "hmi"}
    for point in machine.points.values():
        row = places.get(point.name)
        yield {
            "name": point.name,
            "type": point.type.name,
            "role": point.role.value,
            "unit": point.unit,
            "description": point.description,
            "range": _range(point),
            "card": point.card,
            "channel": point.channel,
            "table": row.table if row else "",
            "address": row.address if row else None,
            "number": row.number if row else "",
            "terminal": point.terminal,
            "initial": point.initial,
            "hold": point.role is Role.COMMAND and point.hold,
        }


def _range(point: Point) -> list[Any] | None:
    return None if point.low is None or point.high is None else [point.low, point.high]


def _equipment(machine: Machine, faults: Mapping[str, Sequence[Row]]) -> Iterator[Row]:
    for name, one in machine.equipment.items():
        yield {"name": name, "type": one.type, "faults": list(faults.get(name, ()))}


def _alarms(machine: Machine) -> Iterator[Row]:
    for name, alarm in machine.alarms.items():
        rule = alarm.rule
        yield {
            "name": name,
            "text": rule.text,
            "priority": rule.priority.value,
            "cause": rule.cause,
            "consequence": rule.consequence,
            "response": rule.response,
            "group": rule.group,
            "ending": rule.ending.value,
        }
