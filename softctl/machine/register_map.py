"""The register map of both servers as data: what an HMI's or a panel's maker needs."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from typing import Final

from softctl.machine.model import Address, Machine, Point, Role
from softctl.machine.read_values import show_float, show_value
from softctl.values.tables import Table
from softctl.values.texts import is_character, text_length
from softctl.values.types import Kind

_SERVERS: Final = ("field", "hmi")
_COUNTS: Final = {
    "TIME": "1 = 1 ms",
    "LTIME": "1 = 1 ns",
    **dict.fromkeys(("DATE", "LDATE", "DT", "LDT"), "1 = 1 ns from 1970-01-01"),
    **dict.fromkeys(("TOD", "LTOD"), "1 = 1 ns from midnight"),
}


@dataclass(frozen=True, slots=True)
class Row:
    """One point on one server, where it answers at `unit_id`.

    `address` is the zero-based wire address of its first register or bit, `number` the
    printed one-based number of the same place, such as 30001. `bit` is that of a BOOL in a
    register, from 0 for the least significant. `type` is what travels, `length` a text's in
    characters. `word_order` is empty where the value fits one register; a text's says which
    byte of each register comes first. `scale` says what counts and times stand for.
    """

    server: str
    unit_id: int
    table: str
    address: int
    bit: str
    number: str
    count: int
    name: str
    type: str
    length: str
    word_order: str
    unit: str
    range: str
    scale: str
    access: str
    role: str
    description: str
    card: str
    channel: str
    order_code: str
    wired: str
    true_when: str


def register_map(machine: Machine) -> list[Row]:
    """Every point of both servers, field first, by unit id, table and address."""
    found = [
        (server, address, point)
        for point in machine.points.values()
        for server, address in zip(_SERVERS, (point.field, point.hmi), strict=True)
        if address is not None
    ]
    tables = list(Table)
    found.sort(key=lambda one: (tables.index(one[1].table), one[1].address, one[1].bit or 0))
    rows = [_row(machine, *one) for one in found]
    return sorted(rows, key=lambda row: (row.server, row.unit_id))


def to_csv(rows: Iterable[Row]) -> str:
    """The rows as CSV (RFC 4180 with plain line feeds), headed by their columns' names."""
    out = io.StringIO()
    writer = csv.DictWriter(out, [field.name for field in fields(Row)], lineterminator="\n")
    writer.writeheader()
    writer.writerows(asdict(row) for row in rows)
    return out.getvalue()


def to_json(rows: Iterable[Row]) -> str:
    """The rows as a JSON array of objects."""
    return json.dumps([asdict(row) for row in rows], indent=2, ensure_ascii=False)


def _row(machine: Machine, server: str, address: Address, point: Point) -> Row:
    is_field = server == "field"
    card = machine.cards.get(point.card) if is_field else None
    # An analog channel travels as counts in one register, whatever the point's type.
    is_raw = is_field and point.raw is not None
    return Row(
        server=server,
        unit_id=machine.field_unit(point) if is_field else machine.hmi.unit,
        table=address.table.value,
        address=address.address,
        bit="" if address.bit is None else str(address.bit),
        number=_number(address),
        count=address.count,
        name=point.name,
        type="INT" if is_raw else point.hmi_type.name,
        length="" if not _is_text(point) else str(text_length(point.type)),
        word_order="" if is_field else _word_order(machine, address, point),
        unit=point.unit,
        range=_range(point),
        scale=_scale(point, is_field),
        access=_access(is_field, address, point),
        role=point.role.value,
        description=point.description,
        card=point.card if is_field else "",
        channel="" if card is None else str(point.channel),
        order_code="" if card is None else card.order_code,
        wired=point.terminal if is_field else "",
        true_when=_true_when(point) if is_field else "",
    )


def _number(address: Address) -> str:
    """Five digits, six above number 9999; coils show their leading zero."""
    number = address.table.number(address.address)
    width = 5 if address.address < 9_999 else 6
    return f"{number:0{width}d}"


def _word_order(machine: Machine, address: Address, point: Point) -> str:
    return machine.hmi_order(point).value if address.count > 1 or _is_text(point) else ""


def _is_text(point: Point) -> bool:
    return point.type.kind is Kind.STRING and not is_character(point.type)


def _range(point: Point) -> str:
    if point.low is None or point.high is None:
        return ""
    low, high = (show_value(value, point.type) for value in (point.low, point.high))
    return f"{low} to {high} {point.unit}".rstrip()


def _scale(point: Point, is_field: bool) -> str:
    on_hmi = None if point.scale is None else point.scale.raw
    raw = point.raw if is_field else on_hmi
    if raw is not None and point.low is not None and point.high is not None:
        ends = zip(raw, (point.low, point.high), strict=True)
        shown = (f"{count} = {show_float(value)} {point.unit}".rstrip() for count, value in ends)
        return ", ".join(shown)
    return _COUNTS.get(point.type.name, "")


def _access(is_field: bool, address: Address, point: Point) -> str:
    if is_field:
        return "read, write" if address.table.is_writable else "read"
    return "read, write" if point.role.is_written_by_hmi else "read"


def _true_when(point: Point) -> str:
    if point.role is not Role.INPUT or point.type.name != "BOOL":
        return ""
    return "open" if point.inverted else "closed"
