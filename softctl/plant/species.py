"""The standard blocks as a machine needs them: for its species, with or without heat.

They are written for two species. A machine with more of them gets each run of lines of
species 2 (`mass_2 := ...;`, a declaration with its pragma) once more for every further
one. Heat moves as a species does; where nothing has a temperature its lines are left out,
so that they cost nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from itertools import groupby

from softctl.machine import Machine

MOST_SPECIES = 12
_SPECIES_2 = re.compile(r"\b[A-Za-z]\w*_2\b|\bspecies: 2\b")
_HEAT = re.compile(r"\b[A-Za-z]\w*_h\b|\btemperature\b|\bheat_loss\b|\bsurroundings\b")
_HEAT_KEYS = frozenset({"temperature", "heat_loss", "surroundings"})
_NEEDS_HEAT = re.compile(r"\{wire: \w+\.temperature\}")
_BLOCK = re.compile(r"^(?:\{|FUNCTION)", re.MULTILINE)


def for_species(text: str, count: int) -> str:
    """A standard block's text for `count` species, 0 to 12; two at least are there."""
    if count <= 2:
        return text
    head, lines = _split(text)
    return head + "".join(_repeated(lines, count))


def without_heat(text: str) -> str:
    """A standard block's text without the lines of heat."""
    head, lines = _split(text)
    marks = _marked(lines, _HEAT)
    return head + "".join(line for line, mark in zip(lines, marks, strict=True) if not mark)


def needs_heat(text: str) -> bool:
    """True for a block, standard or not, that cannot do without a neighbour's temperature."""
    return bool(_NEEDS_HEAT.search(text))


def names_heat(machine: Machine) -> bool:
    """True when the machine file gives a temperature, or wires a point to one."""
    keys = (key for one in machine.equipment.values() for key in one.parameters)
    ports = (point.terminal.rpartition(".")[2] for point in machine.points.values())
    return any(key in _HEAT_KEYS for key in keys) or "temperature" in ports


def _split(text: str) -> tuple[str, list[str]]:
    """The head comment, and the lines from the first block on."""
    found = _BLOCK.search(text)
    start = found.start() if found else 0
    return text[:start], text[start:].splitlines(keepends=True)


def _marked(lines: list[str], pattern: re.Pattern[str]) -> list[bool]:
    """Which lines belong to what the pattern finds, a pragma to the line after it."""
    marks = [bool(pattern.search(line)) for line in lines]
    for i, line in enumerate(lines[:-1]):
        if line.strip().startswith("{") and not line.startswith("{"):
            marks[i] = marks[i] or marks[i + 1]
            marks[i + 1] = marks[i]
    return marks


def _repeated(lines: Iterable[str], count: int) -> Iterator[str]:
    lines = list(lines)
    marked = zip(lines, _marked(lines, _SPECIES_2), strict=True)
    for is_species, pairs in groupby(marked, key=lambda pair: pair[1]):
        run = "".join(line for line, _ in pairs)
        yield run
        if is_species:
            yield from (_renumbered(run, number) for number in range(3, count + 1))


def _renumbered(run: str, number: int) -> str:
    def swap(match: re.Match[str]) -> str:
        return match[0][:-1] + str(number)

    return _SPECIES_2.sub(swap, run)
