"""A checked program as one Python module: a class per unit and structure, lines from ST.

The module is compiled from text; then the line tables of its functions are replaced, so
that tracebacks, coverage and debuggers see the ST file and line. Writing the positions into
a Python syntax tree instead costs several times as much for the same result.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from types import CodeType
from typing import Any

from softctl.logic import typed
from softctl.logic.fused import Listing
from softctl.logic.images import ImageRow, Overlay
from softctl.logic.python_expressions import class_name, default, mangle
from softctl.logic.python_runtime import NAMESPACE
from softctl.logic.python_statements import StatementRenderer, Writer
from softctl.logic.types import (
    REAL,
    ULINT,
    ArrayType,
    BlockType,
    OpenArrayType,
    StructType,
    Type,
    is_aggregate,
    is_kind,
)
from softctl.values.types import Kind

MARK = "__softctl_sources__"


class ModuleWriter:
    """Writes the classes and functions that a set of programs needs."""

    def __init__(self) -> None:
        self.writer = Writer()
        self.files: dict[str, str] = {}
        self._done: set[int] = set()
        self._needed: list[typed.Block] = []

    # What is needed, callees first is not necessary: Python resolves names late.

    def need_block(self, block: typed.Block) -> None:
        """Write a unit and whatever it uses, once."""
        if id(block) in self._done:
            return
        self._done.add(id(block))
        for symbol in block.symbols.values():
            self.need_type(symbol.type)
        if block.kind == "FUNCTION":
            self._function(block)
        else:
            self._block_class(block)
        while self._needed:
            self.need_block(self._needed.pop(0))

    def need_type(self, type_: Type) -> None:
        """Write the class of a type, once."""
        if isinstance(type_, ArrayType | OpenArrayType):
            self.need_type(type_.element)
        elif isinstance(type_, BlockType):
            self.need_block(type_.block)
        elif isinstance(type_, StructType) and id(type_) not in self._done:
            self._done.add(id(type_))
            for member in type_.fields.values():
                self.need_type(member.type)
            members = [(key, f.type, f.initial) for key, f in type_.fields.items()]
            self._class(class_name(type_), members)
            self._assign(members)
            self.writer.level -= 1

    def globals_(
        self,
        symbols: Iterable[typed.Symbol],
        overlays: Sequence[Overlay] = (),
        rows: Sequence[ImageRow] = (),
    ) -> None:
        """Write the class that holds the global variables; overlays are bits of its cells."""
        overlaid = {id(overlay.symbol) for overlay in overlays}
        shown = {id(row.symbol) for row in rows}
        members: list[tuple[str, Type, Any]] = [
            (f"__CELL_{cell}", ULINT, None)
            for cell in dict.fromkeys(overlay.cell for overlay in overlays)
        ]
        for symbol in {id(symbol): symbol for symbol in symbols}.values():
            self.need_type(symbol.type)
            if symbol.storage == "global" and id(symbol) not in overlaid | shown:
                members.append((symbol.key, symbol.type, symbol.initial))
        start = [
            f"self.{mangle(o.symbol.key)} = {default(o.symbol.type, o.symbol.initial)}"
            for o in overlays
            if o.symbol.initial is not None
        ]
        for row in rows:
            names = tuple(mangle(element.key) for element in row.elements)
            start.append(f"self.{mangle(row.symbol.key)} = ImageRow(self, {names!r})")
        held = tuple(mangle(row.symbol.key) for row in rows)
        self._class("Globals", members, ("cells", "fuel", *held), start)
        for overlay in overlays:
            self._overlay(overlay)
        self.writer.level -= 1

    def _overlay(self, overlay: Overlay) -> None:
        """A variable that shares its bits, as a property."""
        name, cell = mangle(overlay.symbol.key), f"self.{mangle(f'__CELL_{overlay.cell}')}"
        mask = (1 << overlay.width) - 1
        getter, setter = _bit_forms(overlay.symbol.type, overlay.width)
        self.writer.put("@property")
        self._def(
            f"{name}(self)", [f"return {getter.format(f'({cell} >> {overlay.shift} & {mask})')}"]
        )
        self.writer.put(f"@{name}.setter")
        kept = f"{cell} & ~{mask << overlay.shift}"
        value = f"({setter.format('value')} & {mask}) << {overlay.shift}"
        self._def(f"{name}(self, value)", [f"{cell} = {kept} | {value}"])

    def _block_class(self, block: typed.Block) -> None:
        members = [
            (s.key, s.type, s.initial)
            for s in block.symbols.values()
            if s.storage == "slot" and not _is_shared(s)
        ]
        shared = tuple(mangle(s.key) for s in block.symbols.values() if _is_shared(s))
        self.writer.line = block.at.line
        self._class(f"b_{block.key}", members, shared)
        self._method(f"run_{block.key}", "run(self, g)", block)
        self.writer.level -= 1

    def _method(self, name: str, head: str, block: typed.Block) -> None:
        writer = self.writer
        renderer = StatementRenderer(writer, block)
        writer.line = block.at.line
        self.files[f"{len(writer.lines) + 1}"] = block.source.name
        writer.put(f"def {head}:")
        top = len(writer.lines)
        writer.level += 1
        self._locals(block)
        if block.kind == "FUNCTION" and renderer.usage.functions:  # they may call one another
            writer.put("g.fuel -= 1")
            writer.put("if g.fuel < 0: too_many_calls()")
        for symbol in renderer.usage.kept:
            place = renderer.variable(symbol)
            local = f"g_{place[2:]}" if symbol.storage == "global" else mangle(symbol.key)
            writer.put(f"{local} = {place}")
            renderer.names[id(symbol)] = local
        writer.level -= 1
        renderer.statements(block.body)
        writer.level += 1
        if block.kind == "FUNCTION":
            writer.put(renderer.return_text())
        if renderer.uses_cells:
            writer.line = block.at.line
            writer.insert(top, "c = g.cells", writer.level)
        writer.level -= 1
        self._needed += renderer.usage.functions

    def _locals(self, block: typed.Block) -> None:
        """Local variables at their initial values, equal simple ones in one go."""
        shared: dict[str, list[str]] = {}
        for symbol in block.symbols.values():
            if symbol.storage == "local" and symbol.kind not in ("VAR_INPUT", "VAR_IN_OUT"):
                name, value = mangle(symbol.key), default(symbol.type, symbol.initial)
                if is_aggregate(symbol.type):
                    self.writer.put(f"{name} = {value}")
                else:
                    shared.setdefault(value, []).append(name)
        for value, names in shared.items():
            self.writer.put(f"{' = '.join(names)} = {value}")
        for symbol in block.of_kind("VAR_INPUT") if block.kind == "FUNCTION" else ():
            if is_aggregate(symbol.type) and symbol.writes:
                self._own(mangle(symbol.key), symbol.type)

    def _own(self, name: str, type_: Type) -> None:
        """A copy of an input that the function changes: the caller keeps its own."""
        if isinstance(type_, OpenArrayType):
            self.writer.put(f"{name} = copy_of({name})")
            return
        self.writer.put(f"given, {name} = {name}, {default(type_)}")
        array = isinstance(type_, ArrayType)
        self.writer.put(f"copy_array({name}, given)" if array else f"{name}.assign(given)")

    def _function(self, block: typed.Block) -> None:
        parameters = [mangle(s.key) for s in block.of_kind("VAR_INPUT", "VAR_IN_OUT")]
        head = f"f_{block.key}({', '.join(['g', *parameters])})"
        self._method(block.key, head, block)

    # Classes

    def _class(
        self,
        name: str,
        members: list[tuple[str, Type, Any]],
        extra: tuple[str, ...] = (),
        start: Sequence[str] = (),
    ) -> None:
        put = self.writer.put
        put(f"class {name}:")
        self.writer.level += 1
        slots = [mangle(key) for key, _, _ in members]
        put(f"__slots__ = {tuple(sorted((*slots, *extra)))!r}")
        lines = [f"self.{mangle(key)} = {default(t, initial)}" for key, t, initial in members]
        lines += [f"self.{name} = None" for name in extra]
        lines += start
        self._def("__init__(self)", lines)
        self._def("snapshot(self)", [f"return ({''.join(_saved(k, t) for k, t, _ in members)})"])
        self._restore(members)

    def _def(self, head: str, lines: list[str]) -> None:
        writer = self.writer
        writer.put(f"def {head}:")
        writer.level += 1
        for line in lines or ["pass"]:
            writer.put(line)
        writer.level -= 1

    def _restore(self, members: list[tuple[str, Type, Any]]) -> None:
        targets: list[str] = []
        later: list[str] = []
        for key, type_, _ in members:
            name = f"self.{mangle(key)}"
            if not is_aggregate(type_):
                targets.append(name)
            elif isinstance(type_, ArrayType) and _is_flat(type_):
                targets.append(f"{name}[:]")
            else:
                part = f"s{len(later)}"
                targets.append(part)
                array = isinstance(type_, ArrayType)
                later.append(f"load_array({name}, {part})" if array else f"{name}.restore({part})")
        unpack = [f"({', '.join(targets)},) = state"] if targets else []
        self._def("restore(self, state)", [*unpack, *later])

    def _assign(self, members: list[tuple[str, Type, Any]]) -> None:
        lines = []
        for key, type_, _ in members:
            name = mangle(key)
            if not is_aggregate(type_):
                lines.append(f"self.{name} = other.{name}")
            elif isinstance(type_, ArrayType):
                lines.append(f"copy_array(self.{name}, other.{name})")
            else:
                lines.append(f"self.{name}.assign(other.{name})")
        self._def("assign(self, other)", lines)

    def compile(self, name: str) -> dict[str, Any]:
        """Compile and run the module; its namespace has the classes and functions."""
        text = "\n".join(self.writer.lines) + "\n"
        code = compile(text, f"<{name}>", "exec", dont_inherit=True)
        namespace: dict[str, Any] = dict(NAMESPACE)
        namespace[MARK] = frozenset(self.files.values())
        exec(self._relocated(code, ""), namespace)
        return namespace

    @property
    def listing(self) -> Listing:
        """The generated Python, with where its lines come from."""
        files = {int(line): name for line, name in self.files.items()}
        return Listing("\n".join(self.writer.lines) + "\n", tuple(self.writer.marks), files)

    def _relocated(self, code: CodeType, file: str) -> CodeType:
        """The code object with ST file and lines, and those inside it."""
        file = self.files.get(
            str(code.co_firstlineno), file if code.co_name.startswith("<") else ""
        )
        constants = tuple(
            self._relocated(constant, file) if isinstance(constant, CodeType) else constant
            for constant in code.co_consts
        )
        if not file:
            return code.replace(co_consts=constants)
        marks = self.writer.marks
        return code.replace(
            co_consts=constants,
            co_filename=file,
            co_firstlineno=marks[code.co_firstlineno - 1],
            co_linetable=_line_table(code, marks),
        )


def _bit_forms(type_: Type, width: int) -> tuple[str, str]:
    """How bits become a value of a type and back."""
    if is_kind(type_, Kind.BOOL):
        return "({} != 0)", "(1 if {} else 0)"
    if is_kind(type_, Kind.REAL):
        name = "real" if type_ == REAL else "lreal"
        return f"{name}_of_bits({{}})", f"bits_of_{name}({{}})"
    if is_kind(type_, Kind.BITS, Kind.UNSIGNED):
        return "{}", "{}"
    half = 1 << (width - 1)
    return f"(({{}} ^ {half}) - {half})", "{}"


def _is_shared(symbol: typed.Symbol) -> bool:
    """True for in-outs: an aggregate one refers to somebody else's state."""
    return symbol.kind == "VAR_IN_OUT"


def _is_flat(type_: ArrayType) -> bool:
    return len(type_.bounds) == 1 and not is_aggregate(type_.element)


def _saved(key: str, type_: Type) -> str:
    name = f"self.{mangle(key)}"
    if not is_aggregate(type_):
        return f"{name}, "
    if isinstance(type_, ArrayType):
        return f"{name}[:], " if _is_flat(type_) else f"save_array({name}), "
    return f"{name}.snapshot(), "


def _line_table(code: CodeType, marks: list[int]) -> bytes:
    """The location table of CPython 3.11 and later, with lines only (its entry kind 13)."""
    table = bytearray()
    current = marks[code.co_firstlineno - 1]
    for start, end, line in code.co_lines():
        wanted = marks[line - 1] if line else current
        units = (end - start) // 2
        delta = wanted - current
        current = wanted
        while units > 0:
            part = min(units, 8)
            table.append(0x80 | 13 << 3 | part - 1)
            _signed_varint(table, delta)
            delta = 0
            units -= part
    return bytes(table)


def _signed_varint(table: bytearray, value: int) -> None:
    number = (-value << 1) | 1 if value < 0 else value << 1
    while number >= 64:
        table.append(0x40 | number & 63)
        number >>= 6
    table.append(number)
