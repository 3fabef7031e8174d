"""Statements, units and whole applications as C; a process loads and runs them."""

from __future__ import annotations

import ctypes
import struct
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from native import (
    FLAGS,
    HEAD,
    Expressions,
    Unsupported,
    c_name,
    c_type,
    is_aggregate,
    is_real,
    open_type,
    plain_type,
)
from native_values import code_of, constant, leaves

from softctl.logic import Application, typed
from softctl.logic.types import ArrayType, BlockType, OpenArrayType, StringType, StructType, Type

BUDGET = 1_000_000
MOST_VALUES = 3_000


class Unit(Expressions):
    """The body of one unit."""

    def __init__(self, application: str, block: typed.Block) -> None:
        super().__init__(application)
        self.block = block

    def statements(self, body: Sequence[typed.Statement]) -> str:
        """Some statements in braces."""
        return "{ " + " ".join(map(self.statement, body)) + " }"

    def statement(self, node: typed.Statement) -> str:
        """One statement."""
        made: str = getattr(self, f"_on_{type(node).__name__.lower()}")(node)
        return made

    def _on_assign(self, node: typed.Assign) -> str:
        return self.store(node.target, self.render(node.value))

    def _on_evaluate(self, node: typed.Evaluate) -> str:
        return f"{self.render(node.value)};"

    def _on_attempt(self, node: typed.Attempt) -> str:
        kept, left = self.fresh(), self.fresh()
        return (
            f"{{ jmp_buf {kept}; memcpy({kept}, fault, sizeof fault); int {left} = setjmp(fault);"
            f" if (!{left}) {self.statements(node.body)} memcpy(fault, {kept}, sizeof fault);"
            f" if ({left}) {self.statements(node.failed)} }}"
        )

    def _on_callblock(self, node: typed.CallBlock) -> str:
        name = self.fresh()
        kind = c_type(node.type)
        lines = [f"{kind} *{name} = &{self.render(node.instance)};"]
        for symbol, value in node.inputs:
            lines.append(f"{name}->{c_name(symbol.key)} = {self.render(value)};")
        for symbol, value in node.in_outs:
            sign = "&" if is_aggregate(symbol.type) else ""
            lines.append(f"{name}->{c_name(symbol.key)} = {sign}{self.render(value)};")
        lines.append(f"run_{id(node.type.block):x}({name});")
        self.aliases[id(node.instance)] = f"(*{name})"
        for symbol, value in node.in_outs:
            if not is_aggregate(symbol.type):
                lines.append(self.store(value, f"{name}->{c_name(symbol.key)}"))
        lines += [self.store(target, self.render(value)) for target, value in node.outputs]
        del self.aliases[id(node.instance)]
        return "{ " + " ".join(lines) + " }"

    def _on_if(self, node: typed.If) -> str:
        text = ""
        for condition, body in node.branches:
            text += f"if ({self.render(condition)}) {self.statements(body)} else "
        return text + self.statements(node.otherwise)

    def _on_case(self, node: typed.Case) -> str:
        plain_type(node.selector.type)
        name, text = self.fresh(), ""
        for labels, body in node.arms:
            codes = [(code_of(low), code_of(high)) for low, high in labels]
            tests = [f"({name} >= {low} && {name} <= {high})" for low, high in codes]
            text += f"if ({' || '.join(tests)}) {self.statements(body)} else "
        text += self.statements(node.otherwise)
        return f"{{ int64_t {name} = {self.render(node.selector)}; {text} }}"

    def _on_for(self, node: typed.For) -> str:
        place = self.render(node.variable)
        last, step, new, count = (self.fresh() for _ in range(4))
        return (
            f"{{ {place} = {self.render(node.start)}; __int128 {last} = {self.number(node.end)},"
            f" {step} = {self.number(node.step)}, {new}; int {count} = 0; for (;;) {{"
            f" {new} = (__int128){place} + ({count} ? {step} : 0); spend();"
            f" if ({step} >= 0 ? {new} > {last} : {new} < {last}) {{ {place} = {new}; break; }}"
            f" {count} = 1; {place} = {new}; {self.statements(node.body)} }} }}"
        )

    def _on_while(self, node: typed.While) -> str:
        condition, body = self.render(node.condition), self.statements(node.body)
        return f"while ({condition}) {{ spend(); {body} }}"

    def _on_repeat(self, node: typed.Repeat) -> str:
        body, until = self.statements(node.body), self.render(node.until)
        return f"do {{ spend(); {body} }} while (!({until}));"

    def _on_exit(self, node: typed.Exit) -> str:
        return "break;"

    def _on_continue(self, node: typed.Continue) -> str:
        return "continue;"

    def _on_return(self, node: typed.Return) -> str:
        return "goto end;"


class Units:
    """The C of an application: types, then functions and blocks, then ways in and out."""

    def __init__(self, application: Application, number: int) -> None:
        self.application = application
        self.name = str(number)
        self.types: list[str] = []
        self.heads: list[str] = []
        self.bodies: list[str] = []
        self.done: set[str] = set()
        known = application.world.globals_.values()
        self.globals = [s for s in known if s.storage == "global"]
        if application.world.image.symbols:
            raise Unsupported("an image memory")
        self.values = self._values()
        if len(self.values) > MOST_VALUES:
            raise Unsupported("so many values")

    def _values(self) -> list[tuple[str, str, Type, Any]]:
        found = []
        for symbol in self.globals:
            place = f"g_{self.name}.{c_name(symbol.key)}"
            found += leaves(symbol.type, symbol.initial, symbol.key, place)
        for entry in self.application.scheduled:
            if entry.interval_ns or entry.single or entry.connections:
                raise Unsupported("tasks")
            place = f"p_{self.name}_{c_name(entry.name.upper())}"
            found += leaves(BlockType(entry.block), None, entry.name, place)
        return found

    def text(self) -> str:
        """All of the C."""
        members = " ".join(f"{self.type(s.type)} {c_name(s.key)};" for s in self.globals)
        programs, runs = [], []
        for entry in self.application.scheduled:
            kind = self.type(BlockType(entry.block))
            variable = f"p_{self.name}_{c_name(entry.name.upper())}"
            programs.append(f"static {kind} {variable};")
            runs.append(f"run_{id(entry.block):x}(&{variable});")
        shared = f"static struct {{ {members} }} g_{self.name};"
        now = f"g_{self.name}.{c_name('__NOW')} = now;"
        scan = (
            f"int scan_{self.name}(int64_t now) {{ {now} fuel = {BUDGET};"
            f" if (setjmp(fault)) return 1; {' '.join(runs)} return 0; }}"
        )
        parts = [*self.types, shared, *programs, *self.heads, *self.bodies, scan, self._access()]
        return "\n".join(parts)

    def _access(self) -> str:
        """Single values as 64 bits: whole numbers, real ones as binary64, marks of texts."""
        gets, puts, writes = [], [], []
        for number, (_, place, type_, _) in enumerate(self.values):
            if isinstance(type_, StringType):
                gets.append(f"o[{number}] = marked(&{place});")
                writes.append(f"case {number}: {place} = text_of(n, x); break;")
                continue
            value = f"of_lreal({place})" if is_real(type_) else f"(int64_t)({place})"
            gets.append(f"o[{number}] = {value};")
            new = "lreal_of(x)" if is_real(type_) else "x"
            puts.append(f"case {number}: {place} = {new}; break;")
        head = f"void write_{self.name}(int i, int n, uint32_t *x)"
        return (
            f"void get_{self.name}(int64_t *o) {{ {' '.join(gets)} }}"
            f" void put_{self.name}(int i, int64_t x) {{ switch (i) {{ {' '.join(puts)} }} }}"
            f" {head} {{ switch (i) {{ {' '.join(writes)} }} }}"
        )

    # Types

    def type(self, type_: Type) -> str:
        """The C type of a type, declared before it is used."""
        name = c_type(type_)
        if name in self.done:
            return name
        if isinstance(type_, ArrayType):
            count = 1
            for low, high in type_.bounds:
                count *= high - low + 1
            mark = name.replace("struct ", "HAS_")  # other applications may have it too
            body = f"{name} {{ {self.type(type_.element)} at[{count}]; }};"
            self.types.append(f"#ifndef {mark}\n#define {mark}\n{body}\n#endif")
        elif isinstance(type_, StructType):
            fields = " ".join(f"{self.type(f.type)} {c_name(k)};" for k, f in type_.fields.items())
            self.types.append(f"{name} {{ {fields} }};")
        elif isinstance(type_, BlockType):
            self._block(type_.block, name)
        self.done.add(name)
        return name

    def _block(self, block: typed.Block, name: str) -> None:
        fields = []
        for symbol in block.symbols.values():
            if symbol.storage == "slot":
                lent = symbol.kind == "VAR_IN_OUT" and is_aggregate(symbol.type)
                fields.append(f"{self.type(symbol.type)} {'*' * lent}{c_name(symbol.key)};")
        self.types.append(f"{name} {{ {' '.join(fields)} char none; }};")
        head = f"static void run_{id(block):x}({name} *v)"
        self.heads.append(f"{head};")
        self.bodies.append(f"{head} {{ {self._body(block)} end:; }}")

    def _function(self, block: typed.Block) -> None:
        name = f"f_{id(block):x}"
        if name in self.done:
            return
        self.done.add(name)
        parameters = []
        for symbol in block.of_kind("VAR_INPUT", "VAR_IN_OUT"):
            if isinstance(symbol.type, OpenArrayType):
                self.type(symbol.type.element)
                parameters.append(f"{open_type(symbol)}{c_name(symbol.key)}")
                continue
            lent = symbol.kind == "VAR_IN_OUT"
            plain = lent and not is_aggregate(symbol.type)
            parameters.append(
                f"{self.type(symbol.type)} {'*' * lent}{'o_' * plain}{c_name(symbol.key)}"
            )
        outputs = block.of_kind("VAR_OUTPUT")
        parameters += [f"{self.type(s.type)} *o_{c_name(s.key)}" for s in outputs]
        result = "void" if block.result is None else self.type(block.result)
        head = f"static {result} {name}({', '.join(parameters)})"
        self.heads.append(f"{head};")
        lent = [s for s in block.of_kind("VAR_IN_OUT") if not isinstance(s.type, OpenArrayType)]
        copied = [s for s in lent if not is_aggregate(s.type)]
        start = "".join(f"{c_type(s.type)} {c_name(s.key)} = *o_{c_name(s.key)}; " for s in copied)
        finish = "".join(f"*o_{c_name(s.key)} = {c_name(s.key)}; " for s in copied)
        finish += "".join(
            f"if (o_{c_name(s.key)}) *o_{c_name(s.key)} = {c_name(s.key)}; " for s in outputs
        )
        back = f"return {c_name(block.key)};" if block.result is not None else ""
        self.bodies.append(f"{head} {{ {start}{self._body(block)} end: {finish}; {back} }}")

    def _body(self, block: typed.Block) -> str:
        for node in calls(block.body):
            self._function(node.function)
        lines = []
        for symbol in block.symbols.values():
            if symbol.storage == "local" and symbol.kind not in ("VAR_INPUT", "VAR_IN_OUT"):
                name = c_name(symbol.key)
                lines.append(f"{self.type(symbol.type)} {name};")
                for _, place, type_, initial in leaves(symbol.type, symbol.initial, "", name):
                    lines.append(f"{place} = {constant(type_, initial)};")
        unit = Unit(self.name, block)
        return " ".join(lines) + unit.statements(block.body)


def calls(value: Any) -> list[typed.FunctionCall]:
    """The function calls below, found through the fields of the nodes."""
    if isinstance(value, list | tuple):
        return [node for item in value for node in calls(item)]
    if not isinstance(value, typed.Expression | typed.Statement):
        return []
    found = [value] if isinstance(value, typed.FunctionCall) else []
    for name in value.__dataclass_fields__:
        found += calls(getattr(value, name))
    return found


class Native:
    """One application in a loaded library."""

    def __init__(self, library: ctypes.CDLL, units: Units) -> None:
        self.units = units
        self.paths = [path for path, _, _, _ in units.values]
        self._kinds = [is_real(type_) for _, _, type_, _ in units.values]
        self._places = {path.upper(): number for number, path in enumerate(self.paths)}
        self._values = (ctypes.c_int64 * max(1, len(self.paths)))()
        self._scan = getattr(library, f"scan_{units.name}")
        self._scan.argtypes = [ctypes.c_int64]
        self._get = getattr(library, f"get_{units.name}")
        self._put = getattr(library, f"put_{units.name}")
        self._put.argtypes = [ctypes.c_int, ctypes.c_int64]
        self._text = getattr(library, f"write_{units.name}")
        self._strings = [isinstance(type_, StringType) for _, _, type_, _ in units.values]
        for number, (_, _, _, initial) in enumerate(units.values):
            self._write(number, initial)

    def _write(self, number: int, value: Any) -> None:
        if self._strings[number]:
            codes = (ctypes.c_uint32 * max(1, len(value)))(*map(ord, value))
            self._text(number, len(value), codes)
            return
        value = ord(value) if isinstance(value, str) else value
        if self._kinds[number]:
            (bits,) = struct.unpack("<q", struct.pack("<d", float(value)))
        else:
            bits = (int(value) + (1 << 63)) % (1 << 64) - (1 << 63)
        self._put(number, bits)

    def write(self, path: str, value: Any) -> None:
        """Set one value."""
        self._write(self._places[path.upper()], value)

    def scan(self, now_ns: int) -> bool:
        """Run every program once; True for a fault."""
        return bool(self._scan(now_ns))

    def read(self) -> list[Any]:
        """Every value, in the order of `paths`; truth values and numbers alike."""
        self._get(self._values)
        return [
            struct.unpack("<d", struct.pack("<q", bits))[0] if real else bits
            for bits, real in zip(self._values, self._kinds, strict=True)
        ]


def build(applications: Sequence[Units], folder: Path) -> list[Native]:
    """Compile applications into one library."""
    source, target = folder / "units.c", folder / "units.so"
    source.write_text(HEAD + "\n".join(units.text() for units in applications))
    command = ["gcc", *FLAGS, "-shared", "-fPIC", "-o", str(target), str(source), "-lm"]
    subprocess.run(command, check=True)
    library = ctypes.CDLL(str(target))
    return [Native(library, units) for units in applications]
