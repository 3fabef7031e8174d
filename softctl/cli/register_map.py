"""The register map on the terminal, as CSV and JSON, and as a tag list in a file."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from itertools import zip_longest
from pathlib import Path

import typer
from rich.console import Console
from rich.text import Text

from softctl.errors import SoftctlError
from softctl.machine import Machine, tag_list
from softctl.machine.register_map import Row, register_map, to_csv, to_json

_GAP = 2
_INDENT = "  "
_PIPE_WIDTH = 160
_LEAST_DESCRIPTION = 24
_HEADS = ("address", "number", "name", "type", "order", "access")
_WORDY_HEADS = ("range", "scale", "description")
_WORDY_WIDTHS = (18, 26)
"""At most so wide are range and scale, where that leaves room for descriptions."""


def print_register_map(machine: Machine, format_: str) -> None:
    """The register map of both servers, as `table`, `csv` or `json`."""
    rows = register_map(machine)
    if format_ == "csv":
        typer.echo(to_csv(rows), nl=False)
    elif format_ == "json":
        typer.echo(to_json(rows))
    else:
        _print_tables(machine, rows)


def write_tag_list(machine: Machine, path: Path) -> None:
    """Write the HMI's points for import into an HMI project; raises SoftctlError."""
    tags = tag_list.tag_list(machine)
    try:
        path.write_bytes(tag_list.to_csv(tags))
    except OSError as error:
        raise SoftctlError(f"expected to write {path}, got {error.strerror or error}") from error
    typer.echo(f"{path}: {len(tags)} tags of the hmi server")


def _print_tables(machine: Machine, rows: list[Row]) -> None:
    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(width=_PIPE_WIDTH, highlight=False)
    for server, endpoint in (("field", machine.field), ("hmi", machine.hmi)):
        found = [row for row in rows if row.server == server]
        for unit_id in sorted({row.unit_id for row in found}) or [endpoint.unit]:
            console.print(
                f"{server} server, {endpoint.host}:{endpoint.port}, unit {unit_id}, "
                f"word order {endpoint.word_order.name}"
            )
            _print_rows(console, [row for row in found if row.unit_id == unit_id])


def _print_rows(console: Console, rows: Sequence[Row]) -> None:
    """All columns beside each other where there is room, else what is wordy underneath."""
    heads = (*_HEADS, *_WORDY_HEADS)
    cells = [(*_cells(row), *_words(row)) for row in rows]
    widths = [max(map(len, column)) for column in zip(heads, *cells, strict=True)]
    short, wordy = widths[: len(_HEADS)], widths[len(_HEADS) :]
    limited = [min(pair) for pair in zip(wordy, _WORDY_WIDTHS, strict=False)]
    room = console.width - len(_INDENT) - sum(short) - sum(limited) - _GAP * (len(widths) - 1)
    is_wide = room >= min(wordy[-1], _LEAST_DESCRIPTION)
    if is_wide:
        short += [*limited, min(wordy[-1], room)]
    _print_lines(console, _lines(heads[: len(short)], short), "bold")
    for name, group in _groups(rows):
        console.print(Text(name, "bold"))
        for row in group:
            if is_wide:
                _print_lines(console, _lines((*_cells(row), *_words(row)), short))
            else:
                _print_lines(console, _lines(_cells(row), short))
                _print_lines(console, _underneath(row, short, console.width), "dim")


def _lines(cells: Sequence[str], widths: Sequence[int]) -> Iterator[str]:
    """One row of cells, which may take several lines."""
    wrapped = [textwrap.wrap(cell, width) for cell, width in zip(cells, widths, strict=True)]
    for parts in zip_longest(*wrapped, fillvalue=""):
        padded = (part.ljust(width + _GAP) for part, width in zip(parts, widths, strict=True))
        yield (_INDENT + "".join(padded)).rstrip()


def _underneath(row: Row, widths: Sequence[int], width: int) -> list[str]:
    """Range, scale and description, below the name."""
    indent = " " * (len(_INDENT) + sum(widths[:2]) + 2 * _GAP)
    text = "; ".join(filter(None, _words(row)))
    return textwrap.wrap(text, width - 1, initial_indent=indent, subsequent_indent=indent)


def _print_lines(console: Console, lines: Iterable[str], style: str = "") -> None:
    for line in lines:
        console.print(Text(line, style), no_wrap=True, crop=False)


def _groups(rows: Sequence[Row]) -> Iterator[tuple[str, list[Row]]]:
    """The rows of each Modbus table, in order."""
    for name in dict.fromkeys(row.table for row in rows):
        yield name, [row for row in rows if row.table == name]


def _cells(row: Row) -> tuple[str, ...]:
    address = f"{row.address}.{row.bit}" if row.bit else str(row.address)
    return address, row.number, row.name, row.type, row.word_order, row.access


def _words(row: Row) -> tuple[str, str, str]:
    return row.range, row.scale, row.description
