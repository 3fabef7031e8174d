"""Lists for the terminal: the register map and the equipment."""

from __future__ import annotations

import typer
from rich.console import Console
from rich.table import Table

from softctl.machine import Machine
from softctl.machine.register_map import Row, register_map, to_csv, to_json


def print_register_map(machine: Machine, format_: str) -> None:
    """The register map of both servers, as `table`, `csv` or `json`."""
    rows = register_map(machine)
    if format_ == "csv":
        typer.echo(to_csv(rows), nl=False)
    elif format_ == "json":
        typer.echo(to_json(rows))
    else:
        for server, endpoint in (("field", machine.field), ("hmi", machine.hmi)):
            typer.echo(
                f"{server} server, {endpoint.host}:{endpoint.port}, unit {endpoint.unit}, "
                f"word order {endpoint.word_order.name}"
            )
            there = [row for row in rows if row.server == server]
            for unit in dict.fromkeys(row.unit_id for row in there):
                if unit != endpoint.unit:
                    typer.echo(f"{server} server, unit {unit}")
                _print_rows([row for row in there if row.unit_id == unit])


def print_equipment(machine: Machine) -> None:
    """Each piece of equipment with its type and the points wired to it."""
    table = _table("equipment", "type", "points")
    wired: dict[str, list[str]] = {}
    for point in machine.points.values():
        if point.terminal:
            name, _, terminal = point.terminal.partition(".")
            wired.setdefault(name, []).append(f"{point.name} ({terminal})")
    for item in machine.equipment.values():
        table.add_row(item.name, item.type, ", ".join(wired.get(item.name, [])))
    _print(table)


def _print_rows(rows: list[Row]) -> None:
    table = _table("table", "address", "number", "name", "type", "access", "range", "description")
    for row in rows:
        table.add_row(
            row.table,
            f"{row.address}.{row.bit}" if row.bit else str(row.address),
            str(row.number),
            row.name,
            row.type,
            row.access,
            row.range,
            row.description,
        )
    _print(table)


def _table(*titles: str) -> Table:
    table = Table(box=None, padding=(0, 2), header_style="bold", show_edge=False)
    for title in titles:
        table.add_column(title, no_wrap=title != "description")
    return table


def _print(table: Table) -> None:
    console = Console()
    if not console.is_terminal:
        console = Console(width=160)
    console.print(table)
