"""VAR_CONFIG and VAR_ACCESS: what a configuration says of variables inside of instances.

A path starts at a resource or program instance and goes down through block instances
(IEC 61131-3, 6.8, tables 63 and 64).
"""

from __future__ import annotations

from collections.abc import Sequence

from softctl.logic import tree, typed
from softctl.logic.images import Address, fits_address, parse_address
from softctl.logic.resolve import Declarer
from softctl.logic.schedule import Scheduled
from softctl.logic.source import Token, suggest
from softctl.logic.types import ERROR, ArrayType, BlockType, StructType, Type, is_aggregate
from softctl.logic.world import AccessPath, Configured


class Configurer:
    """Finds the variables that paths name and notes what is said of them."""

    def __init__(self, declarer: Declarer, scheduled: Sequence[Scheduled]) -> None:
        self.declarer = declarer
        self.world = declarer.world
        self.reporter = declarer.world.reporter
        self.programs = {entry.name.upper(): entry for entry in scheduled}

    def run(self, configurations: Sequence[tree.Configuration]) -> None:
        """Take all VAR_ACCESS and VAR_CONFIG."""
        for configuration in configurations:
            outer = {configuration.name.upper(), *(r.name.upper() for r in configuration.resources)}
            for section in configuration.sections:
                for path in section.paths:
                    self._path(section, path, outer)

    def _path(self, section: tree.Section, node: tree.InstancePath, outer: set[str]) -> None:
        declared = self.declarer.spec(node.spec, "path", None).type
        found = self._find(node, outer)
        if found is None or declared is ERROR:
            return
        text, type_, symbol = found
        if type_ is not ERROR and type_ != declared:
            self.reporter.error(node.spec.at, f"expected {type_} as declared there, got {declared}")
        elif section.kind == "VAR_ACCESS":
            self._access(node, text)
        else:
            self._configure(node, text, type_, symbol)

    def _access(self, node: tree.InstancePath, text: str) -> None:
        key = node.name.upper()
        if key in self.world.access or key in self.world.globals_ or key in self.programs:
            self.reporter.error(node.at, f"expected a new name, got {node.name}")
            return
        self.world.access[key] = AccessPath(node.name, text, node.writable)

    def _configure(
        self, node: tree.InstancePath, text: str, type_: Type, symbol: typed.Symbol | None
    ) -> None:
        initial = None
        if node.initial is not None:
            if is_aggregate(type_):
                self.reporter.error(node.initial.at, f"expected a single value, got one of {type_}")
                return
            initial = self.declarer.initial(node.initial, type_, None)
        located = None
        if node.address:
            address = self._address(node, type_, symbol)
            if address is None:
                return
            located = self.world.image.symbol(address, type_, node.at, initial)
            located.reads += 1
            located.writes += 1
        elif node.initial is None:
            self.reporter.error(node.at, "expected AT and an address, or := and an initial value")
        self.world.configured.append(Configured(text, located, initial))

    def _address(
        self, node: tree.InstancePath, type_: Type, symbol: typed.Symbol | None
    ) -> Address | None:
        address = parse_address(node.address)
        partly = symbol.address if symbol is not None else ""
        if address is None:
            message = f"expected a whole address such as %QX0.1, got {node.address}"
        elif not partly.endswith("*") or partly[1:2].upper() != address.area:
            message = f"expected a variable declared AT %{address.area}*, got {node.at.text}"
        elif not fits_address(type_, address):
            message = f"expected a type of {address.width} bits at {address}, got {type_}"
        else:
            return address
        self.reporter.error(node.at, message)
        return None

    # Paths

    def _find(
        self, node: tree.InstancePath, outer: set[str]
    ) -> tuple[str, Type, typed.Symbol | None] | None:
        """The path as instances are asked for it, the variable's type, the variable."""
        words = list(node.words)
        while len(words) > 1 and isinstance(words[0], Token) and words[0].key in outer:
            words.pop(0)
        first = words.pop(0)
        assert isinstance(first, Token)
        if first.kind == "address":
            return self._at_address(first)
        symbol = self.world.globals_.get(first.key)
        if symbol is not None and first.key not in self.programs:
            return self._walk(first.text, symbol.type, symbol, words)
        entry = self.programs.get(first.key)
        if entry is None:
            names = [e.name for e in self.programs.values()]
            message = f"expected a program instance or global variable, got {first.text}"
            self.reporter.error(first, message, suggest(first.text, names))
            return None
        return self._walk(first.text, BlockType(entry.block), None, words)

    def _at_address(self, token: Token) -> tuple[str, Type, typed.Symbol] | None:
        address = parse_address(token.text)
        if address is None:
            self.reporter.error(token, f"expected an address such as %IX0.0, got {token.text}")
            return None
        symbol = self.world.image.symbol(address, address.type, token)
        return str(address), symbol.type, symbol

    def _walk(
        self,
        text: str,
        type_: Type,
        symbol: typed.Symbol | None,
        words: list[Token | list[tree.Expression]],
    ) -> tuple[str, Type, typed.Symbol | None] | None:
        for word in words:
            if isinstance(word, list):
                indices = [self.declarer.constant_int(index, None) for index in word]
                if not isinstance(type_, ArrayType) or None in indices:
                    self.reporter.error(word[0].at, f"expected no index of {type_}")
                    return None
                text, type_ = f"{text}[{','.join(map(str, indices))}]", type_.element
                continue
            names = _members(type_)
            if word.key not in names:
                hint = suggest(word.text, [name for name, _, _ in names.values()])
                self.reporter.error(word, f"expected a variable of {type_}, got {word.text}", hint)
                return None
            name, type_, symbol = names[word.key]
            text = f"{text}.{name}"
        return text, type_, symbol


def _members(type_: Type) -> dict[str, tuple[str, Type, typed.Symbol | None]]:
    if isinstance(type_, BlockType):
        symbols = type_.block.symbols.values()
        return {s.key: (s.name, s.type, s) for s in symbols if s.storage in ("slot", "global")}
    if isinstance(type_, StructType):
        return {key: (field.name, field.type, None) for key, field in type_.fields.items()}
    return {}
