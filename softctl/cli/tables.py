"""Lists for the terminal: the equipment."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from softctl.machine import Machine


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
