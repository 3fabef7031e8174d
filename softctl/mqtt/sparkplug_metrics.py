"""Points as Sparkplug metrics: names, aliases, data types, values both ways.

The edge node is the controller: its metrics are the controller's figures, the bridge's own,
and events as texts of JSON. The device is the machine: points by their names, alarms below
`Alarms/`. Durations are seconds, dates and times of day as the JSON topics have them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Final, NamedTuple

from softctl.machine import Point
from softctl.machine import Value as PointValue
from softctl.mqtt.catalogue import Catalogue, standing
from softctl.mqtt.session import Counters
from softctl.mqtt.sparkplug_payload import DataType, Metric, Value
from softctl.mqtt.values import plain_unit, to_plain
from softctl.values.types import ElementaryType, Kind

REBIRTH: Final = "Node Control/Rebirth"
BD_SEQ: Final = "bdSeq"
EVENTS: Final = "Events"
QUALITY: Final = "Quality"
GOOD, STALE = 192, 500
"""The codes of the property Quality (Sparkplug 3.0, 6.4.10; from memory)."""

_TYPES: Final = {
    "BOOL": DataType.BOOLEAN,
    "SINT": DataType.INT8,
    "INT": DataType.INT16,
    "DINT": DataType.INT32,
    "LINT": DataType.INT64,
    "USINT": DataType.UINT8,
    "UINT": DataType.UINT16,
    "UDINT": DataType.UINT32,
    "ULINT": DataType.UINT64,
    "BYTE": DataType.UINT8,
    "WORD": DataType.UINT16,
    "DWORD": DataType.UINT32,
    "LWORD": DataType.UINT64,
    "REAL": DataType.FLOAT,
    "LREAL": DataType.DOUBLE,
    "TIME": DataType.DOUBLE,
    "LTIME": DataType.DOUBLE,
}

Properties = Mapping[str, tuple[DataType, Value]]
_NONE: Final[Properties] = MappingProxyType({})


def data_type(type_: ElementaryType) -> DataType:
    """The data type of a point's metric; texts, dates and times of day are texts."""
    return _TYPES.get(type_.name, DataType.STRING)


def metric_value(value: PointValue, type_: ElementaryType) -> Value:
    """A point's value as its metric has it; a float that is not finite stays as it is."""
    return float(value) if type_.kind is Kind.REAL else to_plain(value, type_)


class Kept(NamedTuple):
    """A value that waits to be sent, or was stored: `number` tells of which metric.

    It is the point's own value until it is sent: ten thousand a second may never be.
    """

    number: int
    at_ms: int
    value: PointValue | None
    is_good: bool


@dataclass(frozen=True, slots=True)
class Plan:
    """One metric as a birth declares it; its alias is its number plus one."""

    name: str
    type: DataType
    is_node: bool
    properties: Properties
    point: Point | None = None


class Metrics:
    """All metrics of an edge node and its device, numbered.

    The numbers of points, alarms and figures are those of a snapshot's values; the bridge's
    counters and the events follow.
    """

    def __init__(self, catalogue: Catalogue) -> None:
        self._alarms_from = catalogue.alarms_from
        self._system_from = catalogue.system_from
        self.plans = list(_plans(catalogue))
        self.events = len(self.plans) - 1
        self.counters = self.events - len(fields(Counters))
        self._by_name = {plan.name: number for number, plan in enumerate(self.plans)}

    def _value(self, kept: Kept) -> Value:
        plan, value = self.plans[kept.number], kept.value
        if value is None:
            return None
        if self._alarms_from <= kept.number < self._system_from:
            return standing(value).state
        return value if plan.point is None else metric_value(value, plan.point.type)

    def birth(self, kept: Kept) -> Metric:
        """A metric in a birth: with its name, type and properties."""
        plan = self.plans[kept.number]
        return Metric(
            plan.type,
            self._value(kept),
            plan.name,
            kept.number + 1,
            kept.at_ms,
            properties={**plan.properties, **_quality(kept)},
        )

    def data(self, kept: Kept, was_good: bool, *, is_historical: bool) -> Metric:
        """A metric in a data message: by its alias alone; its quality if that is news."""
        properties = _NONE if kept.is_good and was_good else _quality(kept)
        value, alias = self._value(kept), kept.number + 1
        type_ = self.plans[kept.number].type
        return Metric(type_, value, "", alias, kept.at_ms, is_historical, properties)

    def find(self, metric: Metric) -> Plan | None:
        """The metric that a command is about, by alias or by name."""
        if metric.alias is not None:
            number = metric.alias - 1
            return self.plans[number] if 0 <= number < len(self.plans) else None
        found = self._by_name.get(metric.name)
        return None if found is None else self.plans[found]


def _plans(catalogue: Catalogue) -> Iterator[Plan]:
    for point in catalogue.points:
        yield Plan(point.name, data_type(point.type), False, dict(_properties(point)), point)
    for rule in catalogue.alarms:
        texts = {"Priority": rule.priority.value, "Text": rule.text}
        properties = {key: (DataType.STRING, text) for key, text in texts.items() if text}
        yield Plan(f"Alarms/{rule.name}", DataType.STRING, False, properties)
    for point in catalogue.system:
        name = f"Controller/{point.name}"
        yield Plan(name, data_type(point.type), True, dict(_properties(point)), point)
    for field in fields(Counters):
        yield Plan(f"Bridge/{field.name}", DataType.UINT64, True, {})
    yield Plan(EVENTS, DataType.STRING, True, {})


def _properties(point: Point) -> Iterator[tuple[str, tuple[DataType, Value]]]:
    """Unit and range under the names that are common practice."""
    if unit := plain_unit(point):
        yield "engUnit", (DataType.STRING, unit)
    if point.low is not None and point.high is not None:
        for key, value in (("engLow", point.low), ("engHigh", point.high)):
            plain = to_plain(value, point.type)
            if isinstance(plain, int | float):
                yield key, (DataType.DOUBLE, float(plain))
    if point.description:
        yield "Description", (DataType.STRING, point.description)


def _quality(kept: Kept) -> Properties:
    return {QUALITY: (DataType.INT32, GOOD if kept.is_good else STALE)}
