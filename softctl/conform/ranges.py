"""Address ranges from the command line, and register maps written by `softctl points`."""

from __future__ import annotations

import json
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any, TypeGuard

from softctl.conform.site import ADDRESSES, Range
from softctl.errors import Place, Problem, ProblemsError, SoftctlError
from softctl.values.tables import Table

Ranges = dict[Table, tuple[Range, ...]]

_TABLES = {
    "coils": Table.COILS,
    "discrete": Table.DISCRETE_INPUTS,
    "discrete inputs": Table.DISCRETE_INPUTS,
    "input": Table.INPUT_REGISTERS,
    "input registers": Table.INPUT_REGISTERS,
    "holding": Table.HOLDING_REGISTERS,
    "holding registers": Table.HOLDING_REGISTERS,
}
_RANGE = re.compile(r"(?P<what>[a-z0-9 ]+):(?P<first>\d{1,5})(?:-(?P<last>\d{1,5}))?")
_FILE = re.compile(r"file ?(\d{1,5})")
LAST_RECORD = 9999


def parse_ranges(texts: Iterable[str]) -> Ranges:
    """Ranges such as `coils:0-15`, `discrete:3`, `input:0-9`, `holding:100-123`, by table.

    Addresses are wire addresses, 0 to 65535, the last one included.

    Raises:
        SoftctlError: another form, an unknown table, or the last before the first.
    """
    found: dict[Table, list[Range]] = defaultdict(list)
    for text in texts:
        what, span = _split(text, ADDRESSES - 1)
        table = _TABLES.get(what)
        if table is None:
            raise SoftctlError(
                f"expected a table (coils, discrete, input or holding) before the colon, got {text}"
            )
        found[table].append(span)
    return {table: join(spans) for table, spans in found.items()}


def parse_write_ranges(texts: Iterable[str]) -> tuple[Ranges, dict[int, Range]]:
    """Ranges that may be written: of coils, of holding registers, and `file 4:0-9` records.

    Raises:
        SoftctlError: as `parse_ranges`, or a table that no function writes.
    """
    files: dict[int, Range] = {}
    tables = []
    for text in texts:
        match = _FILE.fullmatch(text.partition(":")[0].strip().lower())
        if match is None:
            tables.append(text)
        else:
            files[int(match[1])] = _split(text, LAST_RECORD)[1]
    ranges = parse_ranges(tables)
    for table in ranges:
        if not table.is_writable:
            raise SoftctlError(f"expected ranges of coils or holding registers, got {table.value}")
    return ranges, files


def _split(text: str, highest: int) -> tuple[str, Range]:
    match = _RANGE.fullmatch(text.strip().lower())
    if match is None:
        raise SoftctlError(f"expected a range such as coils:0-15 or holding:100-123, got {text}")
    first = int(match["first"])
    last = int(match["last"] or first)
    if not first <= last <= highest:
        raise SoftctlError(f"expected a range within 0-{highest}, the lower end first, got {text}")
    return match["what"], Range(first, last - first + 1)


def join(spans: Iterable[Range]) -> tuple[Range, ...]:
    """Ranges in order, with those that overlap or touch made one."""
    joined: list[Range] = []
    for span in sorted(spans):
        if joined and span.first <= joined[-1].end:
            end = max(joined[-1].end, span.end)
            joined[-1] = Range(joined[-1].first, end - joined[-1].first)
        else:
            joined.append(span)
    return tuple(joined)


def parse_map(text: str, file: str, server: str | None = None, unit: int = 1) -> Ranges:
    """The addresses in a register map, the JSON rows of `softctl points --as json`.

    A row has `table`, `address`, `count` and, when the file describes several servers or
    several units of one, `server` and `unit_id`; other keys are ignored.

    Raises:
        ProblemsError: not JSON, or rows that are not as described, each with its place.
        SoftctlError: several servers and `server` does not say which one is meant, or
            several units and none of them is `unit`.
    """
    rows = _rows(text, file)
    servers = sorted({str(row["server"]) for row in rows if "server" in row})
    if len(servers) > 1 if server is None else server not in servers:
        raise SoftctlError(
            f"expected --map-server to name one of the servers in {file} "
            f"({', '.join(servers) or 'it names none'}), got {server or 'none'}"
        )
    meant = [server is None or row.get("server") == server for row in rows]
    units = {row.get("unit_id") for row, is_meant in zip(rows, meant, strict=True) if is_meant}
    if len(units) > 1 and unit not in units:
        known = ", ".join(sorted(map(str, units)))
        raise SoftctlError(f"expected --unit to be one of those in {file} ({known}), got {unit}")
    found: dict[Table, list[Range]] = defaultdict(list)
    problems = []
    for number, row in enumerate(rows):
        if not meant[number] or (len(units) > 1 and row.get("unit_id") != unit):
            continue
        try:
            table, span = _row_range(row)
            found[table].append(span)
        except ValueError as error:
            problems.append(Problem(str(error), Place(file, path=f"row {number}")))
    if problems:
        raise ProblemsError(problems)
    return {table: join(spans) for table, spans in found.items()}


def _rows(text: str, file: str) -> list[dict[str, Any]]:
    try:
        rows = json.loads(text)
    except json.JSONDecodeError as error:
        place = Place(file, error.lineno, error.colno)
        raise ProblemsError([Problem(f"expected JSON, got {error.msg}", place)]) from error
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        message = "expected a list of rows as `softctl points --as json` writes them"
        raise ProblemsError([Problem(f"{message}, got {type(rows).__name__}", Place(file, 1, 1))])
    return rows


def _row_range(row: Mapping[str, Any]) -> tuple[Table, Range]:
    name, address, count = row.get("table"), row.get("address"), row.get("count", 1)
    table = _TABLES.get(name) if isinstance(name, str) else None
    if table is None:
        words = ", ".join(table.value for table in Table)
        raise ValueError(f"expected `table` to be one of {words}, got {name!r}")
    if not (_is_whole(address) and _is_whole(count) and 1 <= count <= ADDRESSES - address):
        raise ValueError(
            f"expected `address` and `count` within 0..{ADDRESSES - 1}, got {address!r}, {count!r}"
        )
    return table, Range(address, count)


def _is_whole(value: object) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0
