"""What the server held before anything was written, and writing it back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from softctl.conform import judge, pdus
from softctl.conform.asking import Asker
from softctl.conform.steps import Script
from softctl.values.tables import Table

_MOST_AT_ONCE = 100


@dataclass(slots=True)
class Originals:
    """Values by address, of each table, and by record, of each file."""

    tables: dict[Table, dict[int, int]] = field(default_factory=dict)
    files: dict[int, dict[int, int]] = field(default_factory=dict)

    def value(self, table: Table, address: int) -> int:
        """What an address held; 0 if that is not known."""
        return self.tables.get(table, {}).get(address, 0)


def restore(unit: int, originals: Originals) -> Script[list[str]]:
    """Write everything back; returns what the server did not confirm, in words."""
    asker = Asker(unit)
    missed: list[str] = []
    for table, values in originals.tables.items():
        for first, run in _runs(values):
            missed += yield from _restore_run(asker, table, first, run)
    for file, records in originals.files.items():
        for first, run in _runs(records):
            pdu = pdus.write_record(file, first, run)
            if (yield from asker.ask(pdu)) != pdu:
                missed.append(f"file {file} records {first}-{first + len(run) - 1}")
    return missed


def _runs(originals: Mapping[int, int]) -> Iterator[tuple[int, list[int]]]:
    """Addresses that follow each other, cut into what one request can write."""
    first = 0
    values: list[int] = []
    for address in sorted(originals):
        if values and (address != first + len(values) or len(values) == _MOST_AT_ONCE):
            yield first, values
            values = []
        if not values:
            first = address
        values.append(originals[address])
    if values:
        yield first, values


def _restore_run(asker: Asker, table: Table, first: int, values: list[int]) -> Script[list[str]]:
    """At once if the server can, else one by one."""
    build = pdus.write_coils if table.is_bits else pdus.write_registers
    pdu = build(first, values)
    if (yield from asker.ask(pdu)) == pdu[:5]:
        return []
    missed = []
    for address, value in enumerate(values, first):
        reply = yield from write_one(asker, table, address, value)
        if reply is None or reply[0] & 0x80:
            missed.append(f"{table.value} {address}")
    return missed


def write_one(asker: Asker, table: Table, address: int, value: int) -> Script[bytes | None]:
    """Write by function 05 or 06, or by 15 or 16 if the server has only those."""
    if table.is_bits:
        single = pdus.write_coil(address, 0xFF00 if value else 0)
        several = pdus.write_coils(address, [value])
    else:
        single = pdus.write_register(address, value)
        several = pdus.write_registers(address, [value])
    reply = yield from asker.ask(single)
    if reply is not None and judge.is_exception(reply, 0x01):
        reply = yield from asker.ask(several)
    return reply
