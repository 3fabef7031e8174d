"""Everything a compilation has declared, and where names are looked up."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from softctl.logic.images import ImageMemory
from softctl.logic.source import Reporter, Source, Token
from softctl.logic.typed import Block, Symbol
from softctl.logic.types import TIME, EnumType, Type

NOW = "__NOW"
"""The one primitive of the library: the time of the scan, as TIME."""


@dataclass(frozen=True, slots=True)
class DeclaredType:
    """A type by name, with the initial value its declaration gave, or None."""

    type: Type
    initial: Any = None


@dataclass(frozen=True, slots=True)
class AccessPath:
    """Another name for a variable of an instance or at an address (VAR_ACCESS)."""

    name: str
    path: str
    writable: bool


@dataclass(frozen=True, slots=True)
class Configured:
    """What VAR_CONFIG says of one variable of one instance: its place, or its initial value."""

    path: str
    located: Symbol | None
    initial: Any


@dataclass
class World:
    """Types, units and global variables by key; `resolve_…` finish what is still pending."""

    reporter: Reporter
    types: dict[str, DeclaredType] = field(default_factory=dict)
    blocks: dict[str, Block] = field(default_factory=dict)
    globals_: dict[str, Symbol] = field(default_factory=dict)
    enum_values: dict[str, list[EnumType]] = field(default_factory=dict)
    resolve_type: Callable[[str], DeclaredType | None] = lambda key: None
    resolve_global: Callable[[str], Symbol | None] = lambda key: None
    resolve_block: Callable[[str], Block | None] = lambda key: None
    type_names: list[str] = field(default_factory=list)
    block_names: list[str] = field(default_factory=list)
    current: Block | None = None
    access: dict[str, AccessPath] = field(default_factory=dict)
    configured: list[Configured] = field(default_factory=list)
    image: ImageMemory = field(default_factory=ImageMemory)

    @property
    def held_globals(self) -> dict[str, Symbol]:
        """The global variables as they are held: by name, or by address if they have one."""
        own = {k: s for k, s in self.globals_.items() if not s.name.startswith("%")}
        return own | {symbol.key: symbol for symbol in self.image.symbols.values()}

    def find_type(self, name: str) -> DeclaredType | None:
        """A declared data type."""
        key = name.upper()
        return self.types.get(key) or self.resolve_type(key)

    def find_global(self, key: str) -> Symbol | None:
        """A global variable."""
        return self.globals_.get(key) or self.resolve_global(key)

    def find_block(self, name: str) -> Block | None:
        """A program organisation unit's interface."""
        key = name.upper()
        return self.blocks.get(key) or self.resolve_block(key)


def now_symbol() -> Symbol:
    """The global that holds the time of the scan."""
    at = Token("name", NOW, 0, 0, 0, Source("the library", ""))
    return Symbol(NOW, TIME, "global", "VAR_GLOBAL", at, writable=False)
