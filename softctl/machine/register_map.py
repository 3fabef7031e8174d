"""The register map of both servers as data: what an HMI's or a panel's maker needs."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields
from typing import Final

from softctl.machine.model import Address, Machine, Point, Role
from softctl.machine.read_values import show_value
from softctl.values.registers import WordOrder
from softctl.values.tables import Table

_SERVERS: Final = ("field", "hmi")


@dataclass(frozen=True, slots=True)
class Row:
    """One point on one server.

    `address` is the zero-based wire address of its first register or bit, `number` the
    printed one-based number of the same place, such as 30001. `word_order` is empty where
    the value fits one register. `scale` says what counts or milliseconds stand for.
    """

    server: str
    table: str
    address: int
    number: str
    count: int
    name: str
    type: str
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
    """Every point of both servers, field first, by table and address."""
    found = [
        (server, address, point)
        for point in machine.points.values()
        for server, address in zip(_SERVERS, (point.field, point.hmi), strict=True)
        if address is not None
    ]
    tables = list(Table)
    found.sort(key=lambda one: (one[0], tables.index(one[1].table), one[1].address))
    return [_row(machine, *one) for one in found]


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
    endpoint = machine.field if is_field else machine.hmi
    card = machine.cards.get(point.card) if is_field else None
    # An analog channel travels as counts in one register, whatever the point's type.
    is_raw = is_field and point.raw is not None
    return Row(
        server=server,
        table=address.table.value,
        address=address.address,
        number=_number(address),
        count=address.count,
        name=point.name,
        type="INT" if is_raw else point.type.name,
        word_order=_word_order(address, endpoint.word_order),
        unit=point.unit,
        range=_range(point),
        scale=_scale(point, is_raw),
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


def _word_order(address: Address, order: WordOrder) -> str:
    return order.value if address.count > 1 else ""


def _range(point: Point) -> str:
    if point.low is None or point.high is None:
        return ""
    low, high = (show_value(value, point.type) for value in (point.low, point.high))
    return f"{low} to {high} {point.unit}".rstrip()


def _scale(point: Point, is_raw: bool) -> str:
    if is_raw and point.raw is not None and point.low is not None and point.high is not None:
        ends = zip(point.raw, (point.low, point.high), strict=True)
        shown = (f"{raw} = {value:.9g} {point.unit}".rstrip() for raw, value in ends)
        return ", ".join(shown)
    return {"TIME": "1 = 1 ms", "LTIME": "1 = 1 ns"}.get(point.type.name, "")


def _access(is_field: bool, address: Address, point: Point) -> str:
    if is_field:
        return "read, write" if address.table.is_writable else "read"
    return "read, write" if point.role.is_written_by_hmi else "read"


def _true_when(point: Point) -> str:
    if point.role is not Role.INPUT or point.type.name != "BOOL":
        return ""
    return "open" if point.inverted else "closed"
