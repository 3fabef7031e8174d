"""Declarations: variables and the interfaces of units, resolved on demand."""

from __future__ import annotations

from typing import Any

from softctl.logic import tree, typed
from softctl.logic.images import fits_address, parse_address
from softctl.logic.resolve_types import TypeResolver
from softctl.logic.sfc import lower
from softctl.logic.source import suggest
from softctl.logic.standard import elementary
from softctl.logic.types import (
    BOOL,
    DINT,
    ERROR,
    ArrayType,
    BlockType,
    OpenArrayType,
    bound_key,
)
from softctl.logic.world import DeclaredType, World
from softctl.values.types import ElementaryType

LIBRARY = "standard library"
_LOCAL_IN_FUNCTION = frozenset(["VAR", "VAR_INPUT", "VAR_OUTPUT", "VAR_IN_OUT", "VAR_TEMP"])
_WORDS = frozenset(
    [
        *("DATE", "TIME", "TOD", "DT", "LDATE", "LTIME", "LTOD", "LDT", "CHAR", "WCHAR"),
        *("TIME_OF_DAY", "DATE_AND_TIME"),
    ]
)


class Declarer(TypeResolver):
    """Fills a World from syntax trees."""

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self.pending_globals: dict[str, tuple[tree.Section, tree.Variable]] = {}
        self.pending_pous: dict[str, tree.Pou] = {}
        self.resolved: list[tuple[tree.Pou, typed.Block]] = []
        world.resolve_block = self._resolve_block
        world.resolve_global = self._resolve_global

    def add(self, unit: tree.Unit) -> None:
        """Announce all that a unit declares."""
        for declaration in unit.types:
            self._announce(declaration, self.pending_types, "type")
            self.world.type_names.append(declaration.name)
        for pou in unit.pous:
            if self._announce(pou, self.pending_pous, "unit"):
                self.world.block_names.append(pou.name)

    def add_library(self, unit: tree.Unit) -> None:
        """Announce a unit whose names give way to those already there."""
        for declaration in unit.types:
            self.pending_types.setdefault(declaration.name.upper(), declaration)
        for pou in unit.pous:
            self.pending_pous.setdefault(pou.name.upper(), pou)
            self.world.block_names.append(pou.name)

    def _announce(
        self,
        node: Any,
        pending: dict[str, Any],
        what: str,
    ) -> bool:
        key = node.name.upper()
        if elementary(key) is not None or key in ("STRING", "WSTRING"):
            self.reporter.error(node.at, f"expected a new name, got the type {node.name}")
            return False
        first = self.pending_types.get(key) or self.pending_pous.get(key)
        if first is not None:
            where = f"first at {first.at.place}"
            self.reporter.error(node.at, f"{what} {node.name} is declared twice", where)
            return False
        pending[key] = node
        return True

    def resolve_all(self, own: list[tree.Pou]) -> None:
        """Resolve what no one asked for, so that its errors show too."""
        for key in self.pending_types:
            self.world.find_type(key)
        for pou in own:
            self.world.find_block(pou.name)

    # Variables and units

    def announce_globals(self, section: tree.Section) -> None:
        """Note the variables of a VAR_GLOBAL; they may be used before their turn comes."""
        for variable in section.variables:
            key = variable.name.upper()
            if not self._may_be_name(variable):
                continue
            if key in self.world.globals_ or key in self.pending_globals:
                self.reporter.error(variable.at, f"global {variable.name} is declared twice")
                continue
            self.pending_globals[key] = (section, variable)

    def resolve_globals(self) -> None:
        """Declare the global variables that nobody has asked for yet."""
        while self.pending_globals:
            self._resolve_global(next(iter(self.pending_globals)))

    def _resolve_global(self, key: str) -> typed.Symbol | None:
        pending = self.pending_globals.pop(key, None)
        if pending is None:
            return None
        section, variable = pending
        declared = self.declared(variable, None)
        symbol = self._symbol(variable, section, declared, "global")
        if variable.address and declared.type is not ERROR:
            symbol = self._located(variable, declared, section) or symbol
        self.world.globals_[key] = symbol
        return symbol

    def _may_be_name(self, variable: tree.Variable) -> bool:
        """False for a type's name, save for those that are words as well, such as DT."""
        key = variable.name.upper()
        if key in _WORDS:
            self.reporter.depart(variable.at, f"the type's name {key} as a name: write another")
        elif elementary(key) is not None or key in ("STRING", "WSTRING"):
            self.reporter.error(variable.at, f"expected a name, got the type {variable.name}")
            return False
        return True

    def _symbol(
        self,
        variable: tree.Variable,
        section: tree.Section,
        declared: DeclaredType,
        storage: str,
    ) -> typed.Symbol:
        if section.constant and isinstance(declared.initial, bool | int | float | str):
            storage = "constant"
        return typed.Symbol(
            variable.name,
            declared.type,
            storage,
            section.kind,
            variable.at,
            declared.initial,
            not section.constant,
            section.retain,
            variable.address,
            variable.edge,
            variable.pragma,
            variable.comment,
        )

    def _located(
        self, variable: tree.Variable, declared: DeclaredType, section: tree.Section
    ) -> typed.Symbol | None:
        """The variable in the image memory; structures and rows of rows keep to themselves."""
        address, type_ = parse_address(variable.address), declared.type
        row = isinstance(type_, ArrayType) and type_.dimensions == 1
        element = type_.element if isinstance(type_, ArrayType) and row else type_
        if address is None or section.constant or not isinstance(element, ElementaryType):
            return None
        if not fits_address(element, address):
            self.reporter.error(
                variable.spec.at,
                f"expected a type of {address.width} bits at {address}, got {element}",
            )
            return None
        image = self.world.image
        if isinstance(type_, ArrayType):
            symbol = image.row(address, type_, variable.at, declared.initial)
        else:
            symbol = image.symbol(address, type_, variable.at, declared.initial)
        if section.retain:
            image.retain(symbol)
        return symbol

    def _resolve_block(self, key: str) -> typed.Block | None:
        pou = self.pending_pous.get(key)
        if pou is None:
            return None
        if key in self._open:
            self.reporter.error(pou.at, f"{pou.name} contains an instance of itself")
            return None
        self._open.append(key)
        lower(pou, self.reporter)
        block = typed.Block(pou.kind, pou.name, pou.at, pou.source, {}, None, pou.pragma)
        self._result(pou, block)
        for section in pou.sections:
            for variable in section.variables:
                self._variable(pou, block, section, variable)
        self._open.pop()
        self.world.blocks[key] = block
        self.resolved.append((pou, block))
        return block

    def _result(self, pou: tree.Pou, block: typed.Block) -> None:
        if pou.kind != "FUNCTION" or pou.result is None:
            return
        declared = self.spec(pou.result, pou.name, block)
        block.result = declared.type
        symbol = typed.Symbol(pou.name, declared.type, "local", "RESULT", pou.at, declared.initial)
        block.symbols[symbol.key] = symbol

    def _variable(
        self,
        pou: tree.Pou,
        block: typed.Block,
        section: tree.Section,
        variable: tree.Variable,
    ) -> None:
        key = variable.name.upper()
        first = block.symbols.get(key)
        if first is not None:
            where = f"first at {first.at.place}"
            self.reporter.error(variable.at, f"{variable.name} is declared twice", where)
            if section.kind == "STEP":
                first.type = ERROR  # what the chart does with its step says nothing new
            return
        if not self._may_be_name(variable):
            block.symbols[key] = typed.Symbol(
                variable.name, ERROR, "slot", section.kind, variable.at
            )
            return
        if section.kind in ("VAR_ACCESS", "VAR_CONFIG"):
            self.reporter.error(section.at, f"{section.kind} is not supported")
            return
        self.open_arrays = section.kind == "VAR_IN_OUT" or (
            pou.kind == "FUNCTION" and section.kind == "VAR_INPUT"
        )
        hides = key in self.world.globals_ and section.kind not in ("VAR_EXTERNAL", "VAR_GLOBAL")
        if hides and pou.source.name != LIBRARY:
            self.reporter.warn(variable.at, f"{variable.name} hides the global of that name here")
        declared = self.declared(variable, block)
        self.open_arrays = False
        if declared.type is ERROR:
            block.symbols[key] = typed.Symbol(
                variable.name, ERROR, "slot", section.kind, variable.at
            )
            return
        if section.kind == "VAR_EXTERNAL":
            self._external(block, variable, declared)
            return
        if section.kind == "VAR_GLOBAL":
            qualified = tree.Section(section.at, "VAR_GLOBAL", [variable], section.constant)
            self.announce_globals(qualified)
            self.resolve_globals()
            return
        local = pou.kind == "FUNCTION" and section.kind in _LOCAL_IN_FUNCTION
        storage = "local" if local or section.kind == "VAR_TEMP" else "slot"
        if (
            pou.kind == "FUNCTION"
            and isinstance(declared.type, BlockType)
            and section.kind == "VAR"
        ):
            self.reporter.error(
                variable.at, "a function keeps no state: declare the block elsewhere"
            )
        if isinstance(declared.type, BlockType) and declared.type.block.key == key:
            self.reporter.depart(
                variable.at,
                f"an instance with its type's name: write another, such as {variable.name}_1",
            )
        if variable.address and storage == "slot":
            located = self._located(variable, declared, section)
            if located is not None:
                block.symbols[key] = located
                return
        symbol = self._symbol(variable, section, declared, storage)
        if isinstance(declared.type, BlockType) and symbol.kind == "VAR_INPUT":
            symbol.kind = "VAR_IN_OUT"  # an instance is not copied: its block stays outside
        block.symbols[key] = symbol
        if isinstance(declared.type, OpenArrayType):
            self._bounds(block, symbol, declared.type)
        if variable.edge:
            self._edge(block, symbol)

    def _bounds(self, block: typed.Block, array: typed.Symbol, type_: OpenArrayType) -> None:
        """Hidden inputs for the bounds of an array of any bounds."""
        for dimension in range(1, type_.dimensions + 1):
            for which in ("LOW", "HIGH"):
                name = bound_key(array.key, which, dimension)
                symbol = typed.Symbol(name, DINT, array.storage, "VAR_INPUT", array.at)
                block.symbols[name] = symbol

    def _external(
        self, block: typed.Block, variable: tree.Variable, declared: DeclaredType
    ) -> None:
        symbol = self.world.globals_.get(variable.name.upper())
        if symbol is None:
            names = [s.name for s in self.world.globals_.values()]
            self.reporter.error(
                variable.at,
                f"expected a global variable or point, got {variable.name}",
                suggest(variable.name, names),
            )
        elif symbol.type != declared.type:
            self.reporter.error(
                variable.spec.at,
                f"expected {symbol.type} as declared globally, got {declared.type}",
            )
        else:
            block.symbols[symbol.key] = symbol

    def _edge(self, block: typed.Block, symbol: typed.Symbol) -> None:
        """Let the body see the edge of an input instead of the input (table 13)."""
        if symbol.type != BOOL or symbol.kind != "VAR_INPUT":
            self.reporter.error(symbol.at, "expected R_EDGE and F_EDGE on BOOL inputs only")
            return
        at = symbol.at
        before = typed.Symbol(f"__BEFORE_{symbol.key}", BOOL, "slot", "VAR", at)
        seen = typed.Symbol(f"__EDGE_{symbol.key}", BOOL, "local", "VAR_TEMP", at)
        block.symbols[before.key] = before
        block.symbols[seen.key] = seen
        block.aliases[symbol.key] = seen
        now, was = typed.Variable(at, BOOL, symbol), typed.Variable(at, BOOL, before)
        first: typed.Expression = now
        second: typed.Expression = was
        if symbol.edge == "F":
            first, second = was, now
        edge = typed.Binary(at, BOOL, "AND", first, typed.Unary(at, BOOL, "NOT", second))
        block.body += [
            typed.Assign(at, typed.Variable(at, BOOL, seen), edge),
            typed.Assign(at, was, now),
        ]
