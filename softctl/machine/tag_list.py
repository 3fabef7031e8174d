"""The HMI map as a tag list: a file that an HMI project imports, one line a tag.

Leaner than the register map, which is for people: one server, and numbers in columns of
their own where that has words.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields

from softctl.machine.model import Machine, Point
from softctl.machine.read_values import show_float
from softctl.machine.register_map import Row, register_map
from softctl.values.types import Kind

NS_PER_MS = 1_000_000
_TIME_UNITS = {"TIME": "ms"}


@dataclass(frozen=True, slots=True)
class Tag:
    """One tag; every column is text and empty where it means nothing.

    `address` counts from zero, `number` is the printed one-based number of the same place.
    `bit` is that of a BOOL in a register. `type` is what travels. `low` and `high` are the
    ends of the range in `unit`, plain numbers; where counts travel, `raw_low` and
    `raw_high` are the counts that stand for them, and `scale` says the same in words. A
    TIME is in ms, other times and dates are in ns, as they travel. `refresh_ms` is how often
    the point has to be read at least.
    """

    name: str
    table: str
    address: str
    number: str
    bit: str
    registers: str
    type: str
    length: str
    word_order: str
    scale: str
    raw_low: str
    raw_high: str
    low: str
    high: str
    unit: str
    refresh_ms: str
    access: str
    description: str


def tag_list(machine: Machine) -> list[Tag]:
    """Every point on the HMI map, by table and address."""
    return list(_tags(machine))


def to_csv(tags: list[Tag]) -> bytes:
    """The tags as CSV by RFC 4180, in UTF-8 without a mark: a header, lines ended by CR LF."""
    out = io.StringIO()
    writer = csv.DictWriter(out, [field.name for field in fields(Tag)], lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(asdict(tag) for tag in tags)
    return out.getvalue().encode("utf-8")


def _tags(machine: Machine) -> Iterator[Tag]:
    for row in register_map(machine):
        if row.server == "hmi":
            point = machine.points[row.name]
            yield _tag(row, point, machine.refresh_ns(point))


def _tag(row: Row, point: Point, refresh_ns: int | None) -> Tag:
    raw = ("", "") if point.scale is None else tuple(str(end) for end in point.scale.raw)
    low, high = (_number(value, point) for value in (point.low, point.high))
    return Tag(
        name=row.name,
        table=row.table,
        address=str(row.address),
        number=row.number,
        bit=row.bit,
        registers=str(row.count) if "register" in row.table else "",
        type=row.type,
        length=row.length,
        word_order=row.word_order,
        scale=row.scale,
        raw_low=raw[0],
        raw_high=raw[1],
        low=low,
        high=high,
        unit=_TIME_UNITS.get(point.type.name, "ns" if _is_time(point) else row.unit),
        refresh_ms="" if refresh_ns is None else f"{refresh_ns / NS_PER_MS:.9g}",
        access=row.access,
        description=row.description,
    )


def _is_time(point: Point) -> bool:
    return point.type.kind in (Kind.DURATION, Kind.DATE)


def _number(value: int | float | None, point: Point) -> str:
    """The end of a range as an HMI compares it: with what it reads."""
    if value is None:
        return ""
    if point.type.name in _TIME_UNITS:
        return f"{value / NS_PER_MS:.9g}"
    return show_float(value) if isinstance(value, float) else str(value)
