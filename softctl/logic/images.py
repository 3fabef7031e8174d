"""Directly represented variables: `%IX0.3`, `%MW10` and what is declared AT them (table 16).

`%IX1.3` is bit 3 of byte 1; `%IWn` covers bytes 2n and 2n + 1, the least significant first,
and so on for the wider sizes, so that addresses of different sizes overlap as memory does.
Where an address counts more than eight bits to a place, as in `%IX0.15`, places of its area
are words. The standard leaves all this to the implementer.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from softctl.logic.source import Token
from softctl.logic.typed import Symbol
from softctl.logic.types import Type
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType, Kind

_WIDTHS = {"X": 1, "B": 8, "W": 16, "D": 32, "L": 64}
_TYPES = {"X": "BOOL", "B": "BYTE", "W": "WORD", "D": "DWORD", "L": "LWORD"}
_ADDRESS = re.compile(r"%([IQM])([XBWDL]?)(\d+(?:\.\d+)*)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Address:
    """One address: its area, its size's letter and its numbers."""

    area: str
    size: str
    numbers: tuple[int, ...]

    @property
    def width(self) -> int:
        """Its bits."""
        return _WIDTHS[self.size]

    @property
    def type(self) -> ElementaryType:
        """What it is when no variable is declared AT it."""
        return ELEMENTARY_TYPES[_TYPES[self.size]]

    def start(self, place_bits: int) -> int | None:
        """Its first bit in the area, or None if its numbers name no place in one memory."""
        if len(self.numbers) > 2 or (len(self.numbers) == 2 and self.size != "X"):
            return None
        if len(self.numbers) == 2:
            return self.numbers[0] * place_bits + self.numbers[1]
        return self.numbers[0] * self.width

    def __str__(self) -> str:
        return f"%{self.area}{self.size}{'.'.join(map(str, self.numbers))}"


def parse_address(text: str) -> Address | None:
    """An address, or None for `%I*` and what is none."""
    found = _ADDRESS.fullmatch(text)
    if found is None:
        return None
    numbers = tuple(int(number) for number in found[3].split("."))
    return Address(found[1].upper(), found[2].upper() or "X", numbers)


@dataclass(slots=True)
class Overlay:
    """A variable that is some bits of a cell, since others share them."""

    symbol: Symbol
    cell: str
    shift: int
    width: int


@dataclass
class ImageMemory:
    """The symbols at addresses; those of one address and type are one variable."""

    symbols: dict[tuple[Address, Type], Symbol] = field(default_factory=dict)

    def symbol(self, address: Address, type_: Type, at: Token, initial: Any = None) -> Symbol:
        """The variable of that type at an address, made on first use."""
        found = self.symbols.get((address, type_))
        if found is None:
            others = any(other == address for other, _ in self.symbols)
            name = f"{address}:{type_}" if others else str(address)
            found = Symbol(name, type_, "global", "VAR_GLOBAL", at, address=str(address))
            self.symbols[address, type_] = found
        if initial is not None:
            found.initial = initial
        return found

    def find(self, text: str) -> Symbol | None:
        """The first variable at an address, as a path names it."""
        address = parse_address(text)
        return next((s for (other, _), s in self.symbols.items() if other == address), None)

    def overlays(self) -> list[Overlay]:
        """The variables that share bits with others."""
        found: list[Overlay] = []
        for area in "IQM":
            spans = sorted(self._spans(area), key=lambda span: span[:2])
            group: list[tuple[int, int, Symbol]] = []
            for span in spans:
                if group and span[0] >= max(start + width for start, width, _ in group):
                    found += _shared(area, group)
                    group = []
                group.append(span)
            found += _shared(area, group)
        return found

    def _spans(self, area: str) -> list[tuple[int, int, Symbol]]:
        own = [(a, s) for (a, _), s in self.symbols.items() if a.area == area]
        deepest = max((a.numbers[1] for a, _ in own if len(a.numbers) == 2), default=0)
        place_bits = 8 if deepest < 8 else 16
        spans = [(a.start(place_bits), a.width, s) for a, s in own]
        return [(start, width, s) for start, width, s in spans if start is not None]


def _shared(area: str, group: list[tuple[int, int, Symbol]]) -> list[Overlay]:
    if len(group) < 2:
        return []
    first = group[0][0]
    return [Overlay(s, f"{area}{first}", start - first, width) for start, width, s in group]


def fits_address(type_: Type, address: Address) -> bool:
    """True if a variable of the type can stand AT the address."""
    if not isinstance(type_, ElementaryType) or type_.kind is Kind.STRING:
        return False
    return type_.bits == address.width or type_.kind in (Kind.DURATION, Kind.DATE)
