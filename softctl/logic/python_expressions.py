"""Typed expressions rendered as Python expressions; meaning was settled by the checker."""

from __future__ import annotations

from typing import Any

from softctl.logic import typed
from softctl.logic.folding import interval_after, interval_of
from softctl.logic.python_functions import ROUNDED, render_conversion, render_function
from softctl.logic.types import (
    LREAL,
    REAL,
    ArrayType,
    BlockType,
    StringType,
    StructType,
    SubrangeType,
    Type,
    is_aggregate,
    is_kind,
    is_real,
)
from softctl.values.types import ElementaryType, Kind

_COMPARISONS = {"=": "==", "<>": "!=", "<": "<", ">": ">", "<=": "<=", ">=": ">="}
_LOGICAL = {"AND": "and", "OR": "or", "XOR": "!="}
_BITWISE = {"AND": "&", "OR": "|", "XOR": "^"}


CELLS = 16
"""Roundings of one statement that can be pending at once."""

_EXACT = 1 << 24
_EXACT_DOUBLE = 1 << 53
"""Whole numbers up to here are exact in a REAL, and in the binary64 that Python computes with."""
_CHAIN = 24
"""Operators of a chain that are rendered inside one another."""


def _within(interval: typed.Interval | None, size: int) -> bool:
    return interval is not None and max(-interval[0], interval[1]) <= size


def exact_whole(node: typed.Expression) -> typed.Interval | None:
    """The interval of a REAL expression whose value is surely whole and needs no rounding."""
    chain: list[typed.Binary] = []
    while isinstance(node, typed.Binary):
        chain.append(node)
        node = node.left
    interval: typed.Interval | None = None
    if isinstance(node, typed.Constant):
        whole = isinstance(node.value, float) and node.value.is_integer()
        interval = (int(node.value), int(node.value)) if whole else None
    elif isinstance(node, typed.Convert):
        interval = interval_of(node.operand) if node.mode == "round" else None
    if not _within(interval, _EXACT):
        return None
    for link in reversed(chain):
        interval = _exact_after(link, interval)
    return interval


def _exact_after(node: typed.Binary, left: typed.Interval | None) -> typed.Interval | None:
    """The interval of a whole-valued REAL operation, given that of its left operand."""
    if left is None or node.operator not in ("+", "-", "*"):
        return None
    right = exact_whole(node.right)
    interval = interval_after(node.operator, left, right) if right is not None else None
    return interval if _within(interval, _EXACT) else None


def mangle(key: str) -> str:
    """A Python name for an ST one: capitals never clash with Python's words or ours."""
    if key.startswith("%"):
        return "d" + key[1:].replace(".", "_").replace(":", "_")
    return f"h{key}" if key.startswith("__") else key


def literal(value: Any) -> str:
    """A Python literal; infinities and NaN are names of the generated module."""
    return repr(value)


def default(type_: Type, initial: Any = None) -> str:
    """A Python expression that makes a fresh initial value."""
    if isinstance(type_, ArrayType):
        return _array_default(type_, type_.bounds, initial)
    if isinstance(type_, StructType | BlockType):
        return _object_default(type_, initial)
    if initial is not None:
        return literal(initial)
    if isinstance(type_, StringType):
        return "''"
    if is_kind(type_, Kind.STRING):
        return repr("\0")
    if isinstance(type_, SubrangeType):
        return literal(type_.low)
    if is_kind(type_, Kind.BOOL):
        return "False"
    return "0.0" if is_real(type_) else "0"


def _array_default(type_: ArrayType, bounds: tuple[tuple[int, int], ...], initial: Any) -> str:
    low, high = bounds[0]
    count = high - low + 1

    def inner(value: Any) -> str:
        if len(bounds) > 1:
            return _array_default(type_, bounds[1:], value)
        return default(type_.element, type_.initial if value is None else value)

    if initial is not None:
        return f"[{', '.join(inner(value) for value in initial)}]"
    if len(bounds) == 1 and not is_aggregate(type_.element):
        return f"[{inner(None)}] * {count}"
    return f"[{inner(None)} for _ in range({count})]"


def _object_default(type_: StructType | BlockType, initial: Any) -> str:
    made = f"{class_name(type_)}()"
    if not initial:
        return made
    values = []
    for key, value in initial.items():
        if value is None:
            continue
        if isinstance(type_, StructType):
            member: Type = type_.fields[key].type
        else:
            member = type_.block.symbols[key].type
        values.append(f"{mangle(key)}={default(member, value)}")
    return f"with_values({made}, {', '.join(values)})"


def class_name(type_: StructType | BlockType) -> str:
    """The generated class of a structure or block; structures may share names, so are numbered."""
    if isinstance(type_, StructType):
        return f"s_{id(type_):x}"
    return f"b_{type_.block.key}"


class ExpressionRenderer:
    """Renders the expressions of one unit.

    A REAL operation is rounded to 32 bits by a store into an array of binary32 and a load.
    As lines of their own in front of the statement, `c[0] = a * b`, these cost two thirds
    of a call. Operands that are evaluated only sometimes stay where they are, with a call.
    """

    def __init__(self) -> None:
        self._temps = 0
        self.aliases: dict[int, str] = {}
        self.names: dict[int, str] = {}
        """Variables that have a local name for a while, by identity of the symbol."""
        self.me = "self"
        self.uses_cells = False
        self._cell = 0
        self._inline = 1

    def before(self, line: str) -> None:
        """Put a line in front of the statement that is being rendered."""
        raise NotImplementedError

    def rounded(self, text: str, first: int) -> str:
        """A number rounded to 32 bits; its operands use cells from `first` on."""
        if self._inline or first >= CELLS:
            return f"to_real({text})"
        self.before(f"c[{first}] = {text}")
        self.uses_cells = True
        self._cell = first + 1
        return f"c[{first}]"

    def sometimes(self, node: typed.Expression) -> str:
        """An expression that is not always evaluated: no line of it may move to the front."""
        self._inline += 1
        text = self.render(node)
        self._inline -= 1
        return text

    def fresh(self) -> str:
        """A local name nobody else uses."""
        self._temps += 1
        return f"t{self._temps}"

    def render(self, node: typed.Expression) -> str:
        """The Python text of an expression, safe to put anywhere."""
        if self.aliases and id(node) in self.aliases:
            return self.aliases[id(node)]
        if isinstance(node, typed.Variable):
            return self.variable(node.symbol)
        if isinstance(node, typed.Constant):
            return self._constant(node)
        if isinstance(node, typed.Member):
            return f"{self.render(node.base)}.{mangle(node.key)}"
        if isinstance(node, typed.Binary):
            return self._binary(node)
        if isinstance(node, typed.Unary):
            return self._unary(node)
        if isinstance(node, typed.Convert):
            return self._convert(node)
        if isinstance(node, typed.Index):
            return self._index(node)
        if isinstance(node, typed.StandardCall):
            return self._standard(node)
        if isinstance(node, typed.OpenIndex):
            return self._open_index(node)
        if isinstance(node, typed.FunctionCall):
            return self._function(node)
        if isinstance(node, typed.Part):
            return self._part(node)
        if isinstance(node, typed.Character):
            base, index = self.render(node.base), self.render(node.index)
            return f"text_at({base}, {index}, {node.limit})"
        if isinstance(node, typed.Guarded):
            return self._guarded(node)
        assert isinstance(node, typed.RangeCheck)
        name, low, high = self.fresh(), node.low, node.high
        return (
            f"({name} if {low} <= ({name} := {self.render(node.operand)}) <= {high}"
            f" else out_of_subrange({name}, {low}, {high}))"
        )

    def variable(self, symbol: typed.Symbol) -> str:
        """The place a variable lives in."""
        if id(symbol) in self.names:
            return self.names[id(symbol)]
        name = mangle(symbol.key)
        if symbol.storage == "local":
            return name
        return f"g.{name}" if symbol.storage == "global" else f"{self.me}.{name}"

    def _constant(self, node: typed.Constant) -> str:
        if is_aggregate(node.type) or node.value is None:
            return default(node.type, node.value)
        text = literal(node.value)
        return f"({text})" if text.startswith("-") else text

    def _wrapped(self, text: str, type_: Type, interval: typed.Interval | None = None) -> str:
        """A whole number that may leave its type; an interval spares the test on one side."""
        assert isinstance(type_, ElementaryType)
        name = self.fresh()
        test = f"({name} := {text})"
        if interval is None or interval[0] < type_.low:
            test = f"{type_.low} <= {test}"
        if interval is None or interval[1] > type_.high:
            test = f"{test} <= {type_.high}"
        return f"({name} if {test} else wrap_{type_.name}({name}))"

    # Operators

    def _binary(self, node: typed.Binary) -> str:
        """A chain of operators, from its innermost left end outwards.

        Every so many operators it goes on from a name, as Python limits how deeply brackets
        may nest; the pieces are members of a tuple, whose last one is the value.
        """
        chain, first = [node], self._cell
        while isinstance(inner := chain[-1].left, typed.Binary) and id(inner) not in self.aliases:
            chain.append(inner)
        text, pieces = self.render(inner), []
        exact = exact_whole(inner) if is_real(inner.type) else None
        for count, link in enumerate(reversed(chain), 1):
            exact = _exact_after(link, exact)
            text = self._operation(link, text, first, exact is not None)
            if count % _CHAIN == 0 and link is not node and not text.startswith("c["):
                name = self.fresh()
                pieces.append(f"{name} := {text}")
                text = name
        return f"({', '.join([*pieces, text])})[-1]" if pieces else text

    def _operation(self, node: typed.Binary, left: str, first: int, exact: bool) -> str:
        """One operator behind its rendered left side; cells from `first` on are free."""
        operator = node.operator
        if operator in ("AND", "OR") and is_kind(node.type, Kind.BOOL):
            return f"({left} {_LOGICAL[operator]} {self.sometimes(node.right)})"
        right = self.render(node.right)
        if operator in _COMPARISONS:
            return f"({left} {_COMPARISONS[operator]} {right})"
        if operator in _LOGICAL:
            table = _LOGICAL if is_kind(node.type, Kind.BOOL) else _BITWISE
            return f"({left} {table[operator]} {right})"
        if is_real(node.type):
            text = self._real(node, left, right)
            needed = node.type == REAL and not exact
            return self.rounded(text, first) if needed else f"({text})"
        text = self._whole(node, left, right)
        return self._wrapped(text, node.type, node.interval) if node.wraps else f"({text})"

    def _real(self, node: typed.Binary, left: str, right: str) -> str:
        if node.operator != "**":
            return f"{left} {node.operator} {right}"
        if isinstance(node.right, typed.Constant) and node.right.value == 2:
            name = self.fresh()
            return f"({name} := {left}) * {name}"
        return f"fpow({left}, {right})"

    def _whole(self, node: typed.Binary, left: str, right: str) -> str:
        if node.operator == "**":
            return f"ipow({left}, {right})"
        if node.operator not in ("/", "MOD"):
            return f"{left} {node.operator} {right}"
        first, second = interval_of(node.left), interval_of(node.right)
        sign = "//" if node.operator == "/" else "%"
        if first and second and first[0] >= 0 and second[0] >= (node.operator == "MOD"):
            return f"{left} {sign} {right}"
        if isinstance(node.right, typed.Constant) and node.right.value > 0:
            name = self.fresh()
            positive, negative = f"{name} {sign} {right}", f"-(-{name} {sign} {right})"
            return f"{positive} if ({name} := {left}) >= 0 else {negative}"
        return f"{'idiv' if node.operator == '/' else 'imod'}({left}, {right})"

    def _unary(self, node: typed.Unary) -> str:
        operand = self.render(node.operand)
        if node.operator == "-":
            return self._wrapped(f"-{operand}", node.type) if node.wraps else f"(-{operand})"
        if is_kind(node.type, Kind.BOOL):
            return f"(not {operand})"
        assert isinstance(node.type, ElementaryType)
        if node.type.kind is Kind.SIGNED:
            return f"(~{operand})"
        return f"({operand} ^ {node.type.high})"

    def _convert(self, node: typed.Convert) -> str:
        source, target, first = node.operand.type, node.type, self._cell
        text = self.render(node.operand)
        if node.mode not in ("round", "truncate"):
            return render_conversion(node.mode, text, source, target, self.fresh)
        if is_kind(source, Kind.BOOL):
            return text if is_kind(target, Kind.BOOL) else _from_bool(text, target)
        if is_kind(target, Kind.BOOL):
            return f"({text} != 0)"
        if is_real(target):
            if is_real(source):
                return self.rounded(text, first) if target == REAL and source == LREAL else text
            if target == LREAL or exact_whole(node) is not None:
                return f"({text} + 0.0)"
            if _within(interval_of(node.operand), _EXACT_DOUBLE):
                return self.rounded(text, first)
            return f"whole_to_real({text})"
        if is_real(source):
            text = f"{'int' if node.mode == 'truncate' else 'round'}({text})"
        return self._wrapped(text, target) if node.wraps else text

    def _standard(self, node: typed.StandardCall) -> str:
        first = self._cell
        render = self.sometimes if node.name == "SEL" else self.render
        arguments = [render(argument) for argument in node.arguments]
        text = render_function(node.name, arguments, node.type, self.fresh)
        if node.type == REAL and node.name in ROUNDED:
            return self.rounded(text, first)
        if node.name == "ABS" and is_kind(node.type, Kind.SIGNED):
            return self._wrapped(text, node.type)
        return text

    def _guarded(self, node: typed.Guarded) -> str:
        enable = "True" if node.enable is None else self.render(node.enable)
        text, otherwise = self.sometimes(node.call), default(node.type)
        if node.eno is None:
            return f"({text} if {enable} else {otherwise})"
        name = self.fresh()
        made = f"{name} := attempt({enable}, lambda: {text}, {otherwise})"
        return f"({made}, {self._store(node.eno, f'{name}[0]')}, {name}[1])[-1]"

    # Access

    def _index(self, node: typed.Index) -> str:
        return f"{self.render(node.base)}[{']['.join(self._offsets(node))}]"

    def _offsets(self, node: typed.Index) -> list[str]:
        return [
            self._offset(index, low, high, checked)
            for index, (low, high), checked in zip(
                node.indices, node.bounds, node.checked, strict=True
            )
        ]

    def _open_index(self, node: typed.OpenIndex) -> str:
        return f"{self.render(node.base)}[{']['.join(self._open_offsets(node))}]"

    def _open_offsets(self, node: typed.OpenIndex) -> list[str]:
        texts = []
        for index, low_bound, high_bound in zip(node.indices, node.lows, node.highs, strict=True):
            name, low, high = self.fresh(), self.render(low_bound), self.render(high_bound)
            inside = f"{low} <= ({name} := {self.render(index)}) <= {high}"
            texts.append(f"{name} - {low} if {inside} else out_of_range({name}, {low}, {high})")
        return texts

    def _offset(self, index: typed.Expression, low: int, high: int, checked: bool) -> str:
        if isinstance(index, typed.Constant):
            return str(index.value - low)
        text = self.render(index)
        if checked:
            name = self.fresh()
            less = f"{name} - {low}" if low > 0 else f"{name} + {-low}" if low else name
            inside = f"{low} <= ({name} := {text}) <= {high}"
            return f"{less} if {inside} else out_of_range({name}, {low}, {high})"
        return f"{text} - {low}" if low > 0 else f"{text} + {-low}" if low else text

    def _part(self, node: typed.Part) -> str:
        base = self.render(node.base)
        mask = (1 << node.width) - 1
        if node.width == 1:
            return f"(({base} & {1 << node.shift}) != 0)"
        return f"({base} >> {node.shift} & {mask})" if node.shift else f"({base} & {mask})"

    # Calls

    def function_text(self, node: typed.FunctionCall) -> str:
        """The bare call, which gives a tuple if the function has outputs."""
        arguments = ["g", *(self.render(argument) for argument in node.arguments)]
        return f"f_{node.function.key}({', '.join(arguments)})"

    def fetches(self, node: typed.FunctionCall, result: str) -> list[tuple[typed.Expression, str]]:
        """Where the outputs and in-outs of a call go, by position in its tuple."""
        names = returned(node.function)
        pairs = []
        for symbol, target, negated in node.outputs:
            value = f"{result}[{names.index(symbol) + 1}]"
            pairs.append((target, f"(not {value})" if negated else value))
        parameters = node.function.of_kind("VAR_INPUT", "VAR_IN_OUT")
        for symbol, argument in zip(parameters, node.arguments, strict=True):
            if symbol in names:
                pairs.append((argument, f"{result}[{names.index(symbol) + 1}]"))
        return pairs

    def _function(self, node: typed.FunctionCall) -> str:
        text = self.function_text(node)
        if not returned(node.function):
            return text
        name = self.fresh()
        stores = [self._store(target, value) for target, value in self.fetches(node, name)]
        return f"({', '.join([f'{name} := {text}', *stores, f'{name}[0]'])})[-1]"

    def _store(self, target: typed.Expression, value: str) -> str:
        """An expression that assigns, for calls with outputs inside of expressions."""
        if isinstance(target, typed.Variable) and target.symbol.storage == "local":
            return f"({self.render(target)} := {value})"
        if isinstance(target, typed.Index | typed.OpenIndex):
            if isinstance(target, typed.Index):
                parts = self._offsets(target)
            else:
                parts = self._open_offsets(target)
            rows = "".join(f"[{part}]" for part in parts[:-1])
            return f"{self.render(target.base)}{rows}.__setitem__({parts[-1]}, {value})"
        text = self.render(target)
        base, _, name = text.rpartition(".")
        return f"setattr({base}, {name!r}, {value})"


def returned(function: typed.Block) -> list[typed.Symbol]:
    """The variables a function hands back behind its result."""
    names = function.of_kind("VAR_OUTPUT")
    names += [s for s in function.of_kind("VAR_IN_OUT") if not is_aggregate(s.type)]
    return names


def _from_bool(text: str, target: Type) -> str:
    return f"(1.0 if {text} else 0.0)" if is_real(target) else f"(1 if {text} else 0)"
