"""Machines whose HMI map holds points of given types, for tests of the copies."""

from __future__ import annotations

from collections.abc import Iterable

from softctl.image import Side, extents
from softctl.machine import Machine, parse_machine
from softctl.modbus.bank import Bank

HEAD = """
name: types
programs: [none.st]
field: {port: 0}
"""


def machine_of(points: Iterable[str], *, order: str = "ABCD", cards: Iterable[str] = ()) -> Machine:
    """A machine with these lines of points, of cards, and this word order of its HMI server."""
    lines = [
        f"hmi: {{port: 0, word_order: {order}}}",
        "cards:",
        *(f"  {card}" for card in cards),
        "points:",
        *(f"  {point}" for point in points),
    ]
    return parse_machine(HEAD + "\n".join(lines) + "\n", "types.yaml")


def hmi_bank(machine: Machine) -> Bank:
    """An empty bank with the machine's HMI map."""
    return Bank(extents(machine, Side.HMI))
