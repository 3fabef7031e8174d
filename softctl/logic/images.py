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
from softctl.logic.types import ArrayType, Type
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

    def moved(self, count: int) -> Address:
        """The address that many places of its size further on; a byte has eight bits."""
        if len(self.numbers) == 2 and self.size == "X":
            bits = self.numbers[0] * 8 + self.numbers[1] + count
            return Address(self.area, self.size, (bits // 8, bits % 8))
        return Address(self.area, self.size, (*self.numbers[:-1], self.numbers[-1] + count))

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


@dataclass(slots=True)
class ImageRow:
    """An array at an address: its elements are variables of their own there."""

    symbol: Symbol
    elements: list[Symbol]


@dataclass
class ImageMemory:
    """The symbols at addresses; those of one address and type are one variable."""

    symbols: dict[tuple[Address, Type], Symbol] = field(default_factory=dict)
    rows: dict[tuple[Address, Type], ImageRow] = field(default_factory=dict)

    def row(self, address: Address, type_: ArrayType, at: Token, initial: Any = None) -> Symbol:
        """The array of one dimension at an address."""
        ((low, high),) = type_.bounds
        values = initial if initial is not None else [type_.initial] * (high - low + 1)
        elements = [
            self.symbol(address.moved(number), type_.element, at, value)
            for number, value in enumerate(values)
        ]
        row = self.rows.get((address, type_))
        if row is None:
            name = f"{address}:{len(elements)}:{type_.element}"
            symbol = Symbol(name, type_, "global", "VAR_GLOBAL", at, address=str(address))
            row = self.rows[address, type_] = ImageRow(symbol, elements)
        return row.symbol

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

    def retain(self, symbol: Symbol) -> None:
        """Let a variable, or the elements of an array, outlive a restart."""
        row = next((row for row in self.rows.values() if row.symbol is symbol), None)
        for kept in [symbol] if row is None else row.elements:
            kept.retain = True

    def element(self, array: Symbol, indices: tuple[int, ...]) -> Symbol | None:
        """The variable that is an element of an array at an address, if the array is one."""
        row = next((row for row in self.rows.values() if row.symbol is array), None)
        if row is None or not isinstance(array.type, ArrayType) or len(indices) != 1:
            return None
        number = indices[0] - array.type.bounds[0][0]
        return row.elements[number] if 0 <= number < len(row.elements) else None

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
