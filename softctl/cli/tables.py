"""Lists for the terminal: the equipment."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from softctl.machine import Machine
from softctl.plant import Plant
from softctl.plant.blocks import Input


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


def print_faults(machine: Machine, plant: Plant) -> None:
    """What can break in each piece of equipment, with the sizes where it has one."""
    table = _table("equipment", "type", "fault", "size", "if none is given")
    for item in machine.equipment.values():
        for fault in plant.faults(item.name):
            port = plant.fault_port(item.name, fault)
            usual = "" if port.fault_size is None else f"{port.fault_size:g}"
            table.add_row(item.name, item.type, fault, _sizes(port), usual)
    _print(table)


def _sizes(port: Input) -> str:
    """The sizes that a fault can have, or nothing for a mere yes or no."""
    if port.low is None or port.high is None:
        return ""
    unit = "" if port.unit in (None, "1") else f" {port.unit}"
    return f"{port.low:g} to {port.high:g}{unit}"


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
