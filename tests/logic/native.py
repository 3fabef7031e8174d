"""A third back end for tests: the typed tree as C, its types and expressions.

It proves that the tree carries what native code needs: nothing is looked up, decided or
inferred here that the tree does not say. Whole numbers are computed in 64 bits and cut to
their type where a node says that it `wraps`; REAL is `float`. A fault is a long jump.
Texts of real numbers, dates and durations have no C here, nor has reading values from texts.
"""

from __future__ import annotations

from functools import reduce
from pathlib import Path

from softctl.logic import typed
from softctl.logic.types import (
    ArrayType,
    BlockType,
    EnumType,
    OpenArrayType,
    StringType,
    StructType,
    SubrangeType,
    Type,
)
from softctl.values.types import ElementaryType, Kind

_NAMES = {Kind.SIGNED: "int{}_t", Kind.UNSIGNED: "uint{}_t", Kind.BITS: "uint{}_t"}
_COMPARISONS = {"=": "==", "<>": "!=", "<": "<", ">": ">", "<=": "<=", ">=": ">="}
_BITWISE = {"AND": "&", "OR": "|", "XOR": "^"}
_LOGICAL = {"AND": "&&", "OR": "||", "XOR": "!="}
HEAD = Path(__file__).with_name("native_runtime.h").read_text(encoding="utf-8")
FLAGS = ["-w", "-O0", "-fwrapv", "-ffp-contract=off", "-fexcess-precision=standard"]


_TEXT_FUNCTIONS = {
    name: f"text_{name.lower()}"
    for name in ("LEFT", "RIGHT", "MID", "INSERT", "DELETE", "REPLACE", "FIND")
}


class Unsupported(Exception):  # noqa: N818 - not an error of the tree
    """What this back end leaves out."""


def plain_type(type_: Type) -> ElementaryType:
    """The elementary type that holds a single value."""
    if isinstance(type_, EnumType | SubrangeType):
        return type_.base
    if not isinstance(type_, ElementaryType):
        raise Unsupported(str(type_))
    return type_


def c_type(type_: Type) -> str:
    """The C type that holds a value."""
    if isinstance(type_, ArrayType):
        return f"struct a_{array_name(type_)}"
    if isinstance(type_, StructType):
        return f"struct s_{id(type_):x}"
    if isinstance(type_, BlockType):
        return f"struct b_{id(type_.block):x}"
    if isinstance(type_, StringType):
        return "struct text"
    if isinstance(type_, OpenArrayType):
        raise Unsupported("arrays of any bounds")
    plain = plain_type(type_)
    if plain.kind is Kind.STRING:
        return "uint32_t"
    if plain.kind is Kind.BOOL:
        return "uint8_t"
    if plain.kind is Kind.REAL:
        return "float" if plain.bits == 32 else "double"
    return _NAMES.get(plain.kind, "int{}_t").format(plain.bits)


def open_type(symbol: typed.Symbol) -> str:
    """An array of any bounds is a pointer; its bounds are parameters of their own."""
    assert isinstance(symbol.type, OpenArrayType)
    if symbol.kind == "VAR_INPUT" and symbol.writes:
        raise Unsupported("arrays of any bounds")
    return f"{c_type(symbol.type.element)} *"


def array_name(type_: ArrayType) -> str:
    """Arrays of one shape are one C type, as they are one type of the language."""
    counts = "_".join(str(high - low + 1) for low, high in type_.bounds)
    return f"{counts}_{c_type(type_.element).replace('struct ', '')}"


def is_aggregate(type_: Type) -> bool:
    """True for what C holds in a struct."""
    return isinstance(type_, ArrayType | StructType | BlockType)


def is_real(type_: Type) -> bool:
    """True for REAL and LREAL."""
    return isinstance(type_, ElementaryType) and type_.kind is Kind.REAL


def is_bool(type_: Type) -> bool:
    """True for BOOL."""
    return isinstance(type_, ElementaryType) and type_.kind is Kind.BOOL


def is_wide_unsigned(type_: Type) -> bool:
    """True where 64 signed bits do not do."""
    return not is_aggregate(type_) and c_type(type_) == "uint64_t"


class Expressions:
    """C expressions of one unit; `application` prefixes what is shared."""

    def __init__(self, application: str) -> None:
        self.application = application
        self.aliases: dict[int, str] = {}
        self.count = 0

    def fresh(self) -> str:
        """A name nobody else uses."""
        self.count += 1
        return f"t{self.count}"

    def render(self, node: typed.Expression) -> str:
        """One expression."""
        if id(node) in self.aliases:
            return self.aliases[id(node)]
        name = type(node).__name__.lower()
        method = getattr(self, f"_{name}", None)
        if method is None:
            raise Unsupported(name)
        made: str = method(node)
        return made

    def number(self, node: typed.Expression) -> str:
        """A whole number in 64 bits."""
        wide = "uint64_t" if is_wide_unsigned(node.type) else "int64_t"
        return f"({wide})({self.render(node)})"

    def cut(self, text: str, type_: Type, wraps: bool) -> str:
        """A whole number brought back into its type."""
        return f"(({c_type(type_)})({text}))" if wraps else f"({text})"

    def place(self, symbol: typed.Symbol) -> str:
        """Where a variable lives."""
        if symbol.storage == "global":
            return f"g_{self.application}.{c_name(symbol.key)}"
        name = c_name(symbol.key) if symbol.storage == "local" else f"v->{c_name(symbol.key)}"
        lent = symbol.kind == "VAR_IN_OUT" and is_aggregate(symbol.type)
        return f"(*{name})" if lent else name

    # Leaves and access

    def _constant(self, node: typed.Constant) -> str:
        if node.value is None or is_aggregate(node.type):
            raise Unsupported("an aggregate constant")
        if isinstance(node.type, StringType):
            return text_constant(node.value)
        if isinstance(node.value, str):
            return f"{ord(node.value)}u"
        if is_real(node.type):
            text = float(node.value).hex().replace("inf", "INFINITY").replace("nan", "NAN")
            return f"(({c_type(node.type)})({text}))"
        plain_type(node.type)
        if is_wide_unsigned(node.type):
            return f"{node.value}ull"
        return f"((int64_t){int(node.value) % (1 << 64)}ull)"

    def _variable(self, node: typed.Variable) -> str:
        return self.place(node.symbol)

    def _member(self, node: typed.Member) -> str:
        text = f"{self.render(node.base)}.{c_name(node.key)}"
        if isinstance(node.base.type, BlockType):
            symbol = node.base.type.block.symbols[node.key]
            if symbol.kind == "VAR_IN_OUT" and is_aggregate(symbol.type):
                return f"(*{text})"
        return text

    def _index(self, node: typed.Index) -> str:
        offset = "0"
        for index, (low, high), checked in zip(
            node.indices, node.bounds, node.checked, strict=True
        ):
            text = self.number(index)
            step = f"check({text}, {low}, {high})" if checked else f"({text} - ({low}))"
            offset = f"({offset}) * {high - low + 1} + {step}"
        return f"{self.render(node.base)}.at[{offset}]"

    def _openindex(self, node: typed.OpenIndex) -> str:
        offset = "0"
        for index, least, greatest in zip(node.indices, node.lows, node.highs, strict=True):
            low, high = self.number(least), self.number(greatest)
            step = f"check({self.number(index)}, {low}, {high})"
            offset = f"({offset}) * ({high} - {low} + 1) + {step}"
        return f"{self.render(node.base)}[{offset}]"

    def _guarded(self, node: typed.Guarded) -> str:
        enable = self.render(node.enable) if node.enable is not None else "1"
        call, kept, left, result = self.render(node.call), *(self.fresh() for _ in range(3))
        least = node.type.low if isinstance(node.type, SubrangeType) else 0
        start = f"{c_type(node.type)} {result} = {least};"
        if node.eno is None:
            return f"({{ {start} if ({enable}) {result} = {call}; {result}; }})"
        return (
            f"({{ {start} jmp_buf {kept}; memcpy({kept}, fault, sizeof fault); int {left} = 1;"
            f" if ({enable}) {{ {left} = setjmp(fault); if (!{left}) {result} = {call}; }}"
            f" memcpy(fault, {kept}, sizeof fault); {self.store(node.eno, f'!{left}')}"
            f" {result}; }})"
        )

    def _part(self, node: typed.Part) -> str:
        mask = (1 << node.width) - 1
        return f"((uint64_t)({self.render(node.base)}) >> {node.shift} & {mask}ull)"

    def _rangecheck(self, node: typed.RangeCheck) -> str:
        return f"within({self.number(node.operand)}, {node.low}, {node.high})"

    # Operators

    def _unary(self, node: typed.Unary) -> str:
        if node.operator == "-":
            if is_real(node.type):
                return f"(-{self.render(node.operand)})"
            return self.cut(f"-{self.number(node.operand)}", node.type, node.wraps)
        if is_bool(node.type):
            return f"(!{self.render(node.operand)})"
        return self.cut(f"~{self.number(node.operand)}", node.type, True)

    def _binary(self, node: typed.Binary) -> str:
        left, right, sign = node.left, node.right, node.operator
        if is_real(left.type) and sign not in _COMPARISONS:
            return self._reals(node)
        if isinstance(left.type, StringType):
            return f"(compared({self.render(left)}, {self.render(right)}) {_COMPARISONS[sign]} 0)"
        if is_bool(node.type):
            table = {**_LOGICAL, **_COMPARISONS}
            values = [self.render(left), self.render(right)]
            if not is_real(left.type):
                plain_type(left.type)
                values = [self.number(left), self.number(right)]
            return f"({values[0]} {table[sign]} {values[1]})"
        a, b = self.number(left), self.number(right)
        wide = "u" if is_wide_unsigned(node.type) else ""
        if sign == "**":
            odd = int(not wide)
            return self.cut(f"power({a}, {b}, {odd})", node.type, True)
        if sign in ("/", "MOD"):
            name = {"/": "divide", "MOD": "modulo"}[sign]
            return self.cut(f"{wide}{name}({a}, {b})", node.type, node.wraps)
        return self.cut(f"{a} {_BITWISE.get(sign, sign)} {b}", node.type, node.wraps)

    def _reals(self, node: typed.Binary) -> str:
        left, right, type_ = self.render(node.left), self.render(node.right), c_type(node.type)
        if node.operator == "/":
            return f"(({type_})({left} / ({type_})nonzero({right})))"
        if node.operator != "**":
            return f"(({type_})({left} {node.operator} {right}))"
        if isinstance(node.right, typed.Constant) and node.right.value == 2:
            return f"({{ double b = {left}; ({type_})(b * b); }})"
        return f"(({type_})raised({left}, {right}))"

    def _convert(self, node: typed.Convert) -> str:
        source, target = node.operand.type, node.type
        if node.mode not in ("round", "truncate"):
            return self._special(node)
        text, to = self.render(node.operand), c_type(target)
        if is_bool(target):
            return f"(({text}) != 0)"
        if is_real(target):
            return f"(({to})({text if is_real(source) else self.number(node.operand)}))"
        if is_real(source):
            rounding = "trunc" if node.mode == "truncate" else "rint"
            return f"(({to})whole({rounding}((double)({text}))))"
        return self.cut(self.number(node.operand), target, node.wraps)

    def _special(self, node: typed.Convert) -> str:
        if isinstance(node.operand.type, StringType) or isinstance(node.type, StringType):
            return self._texts(node)
        text, target = self.render(node.operand), node.type
        day = "86400000000000ll"
        source = plain_type(node.operand.type)
        if node.mode == "code":
            mask = min(getattr(t, "bits", 0) for t in (source, target) if t.kind is Kind.STRING)
            return self.cut(f"({text}) & {(1 << mask) - 1}u", target, True)
        forms = {
            "transfer": {
                "REAL": "of_real({0})",
                "DWORD": "real_of({0})",
                "LREAL": "of_lreal({0})",
                "LWORD": "lreal_of({0})",
            }.get(source.name, ""),
            "clock": f"((({{0}}) % {day} + {day}) % {day})",
            "day": f"(({{0}}) - ((({{0}}) % {day} + {day}) % {day}))",
            "to bcd": f"to_bcd({{0}}, {getattr(target, 'bits', 0) // 4})",
            "from bcd": f"(({c_type(target)})from_bcd({{0}}))",
        }
        if node.mode not in forms:
            raise Unsupported(node.mode)
        return forms[node.mode].format(text)

    def _texts(self, node: typed.Convert) -> str:
        text, source = self.render(node.operand), node.operand.type
        if node.mode == "shorten":
            assert isinstance(node.type, StringType)
            return f"shortened({text}, {node.type.length})"
        if node.mode == "text":
            kind = plain_type(source).kind
            if kind is Kind.BOOL:
                return f"text_of_truth({text})"
            if kind not in (Kind.SIGNED, Kind.UNSIGNED, Kind.BITS):
                raise Unsupported(f"a text of {source}")
            return f"text_of_number({self.number(node.operand)}, {int(is_wide_unsigned(source))})"
        if node.mode == "string":
            return text
        if node.mode == "char":
            return f"text_of(1, (uint32_t[]){{{text}}})"
        if node.mode != "first":
            raise Unsupported(node.mode)
        limit = (1 << plain_type(node.type).bits) - 1
        return f"({{ struct text f = {text}; f.n ? f.at[0] & {limit}u : 0; }})"

    def _character(self, node: typed.Character) -> str:
        return f"text_at({self.render(node.base)}, {self.number(node.index)}, {node.limit})"

    # Calls

    def _standardcall(self, node: typed.StandardCall) -> str:
        texts = [self._argument(a) for a in node.arguments]
        type_ = c_type(node.type)
        if node.name in _TEXT_FUNCTIONS:
            return f"{_TEXT_FUNCTIONS[node.name]}({', '.join(texts)})"
        if node.name == "LEN":
            return f"(({type_}){texts[0]}.n)"
        if node.name == "CONCAT":
            return reduce(lambda left, right: f"joined({left}, {right})", texts)
        if node.name == "SEL":
            return f"({texts[0]} ? {texts[2]} : {texts[1]})"
        if node.name == "MUX":
            return self._mux(texts, type_)
        if node.name in ("MIN", "MAX"):
            return self._extreme(texts, type_, "<" if node.name == "MIN" else ">")
        if node.name == "LIMIT":
            larger = self._extreme([texts[0], texts[1]], type_, ">")
            return self._extreme([texts[2], larger], type_, "<")
        if node.name == "MOVE":
            return f"({texts[0]})"
        bits = plain_type(node.arguments[0].type).bits
        if node.name == "ABS" and not is_real(node.type):
            return f"({{ int64_t a = {texts[0]}; ({type_})(a < 0 ? -a : a); }})"
        forms = {
            "ABS": "fabs({0})",
            "SQRT": "root({0})",
            "LN": "logarithm({0}, log({0}))",
            "LOG": "logarithm({0}, log10({0}))",
            "EXP": "exp({0})",
            **{n: f"defined({n.lower()}({{0}}), {{0}})" for n in ("SIN", "COS", "TAN")},
            **{n: f"defined({n.lower()}({{0}}), {{0}})" for n in ("ASIN", "ACOS", "ATAN")},
            "ATAN2": "atan2({0}, {1})",
            "SHL": f"shifted({{0}}, {{1}}, {bits}, 0)",
            "SHR": f"shifted({{0}}, {{1}}, {bits}, 1)",
            "ROL": f"rotated({{0}}, {{1}}, {bits})",
            "ROR": f"rotated({{0}}, -({{1}}), {bits})",
            "IS_VALID": "isfinite({0})",
            "IS_VALID_BCD": "is_bcd({0})",
            "TO_BIG_ENDIAN": f"swapped({{0}}, {bits})",
            "FROM_BIG_ENDIAN": f"swapped({{0}}, {bits})",
            "TO_LITTLE_ENDIAN": "{0}",
            "FROM_LITTLE_ENDIAN": "{0}",
        }
        if node.name not in forms:
            raise Unsupported(node.name)
        return f"(({type_})({forms[node.name].format(*texts)}))"

    def _argument(self, node: typed.Expression) -> str:
        text = self.render(node)
        whole = is_aggregate(node.type) or isinstance(node.type, StringType)
        return text if whole else f"({c_type(node.type)})({text})"

    def _mux(self, texts: list[str], type_: str) -> str:
        which, *values = texts
        arms = " ".join(f"case {i}: m = {text}; break;" for i, text in enumerate(values))
        return f"({{ {type_} m; switch ({which}) {{ {arms} default: fail(); }} m; }})"

    def _extreme(self, texts: list[str], type_: str, sign: str) -> str:
        made = texts[0]
        for text in texts[1:]:
            a, b = self.fresh(), self.fresh()
            declared = f"{type_} {a} = {made}, {b} = {text};"
            test = f"{a} {sign} {b}" if type_ != "struct text" else f"compared({a}, {b}) {sign} 0"
            made = f"({{ {declared} {test} ? {a} : {b}; }})"
        return made

    def _functioncall(self, node: typed.FunctionCall) -> str:
        function = node.function
        before, arguments, after = [], [], []
        parameters = function.of_kind("VAR_INPUT", "VAR_IN_OUT")
        for symbol, argument in zip(parameters, node.arguments, strict=True):
            text = self.render(argument)
            if isinstance(symbol.type, OpenArrayType):
                whole = isinstance(argument.type, ArrayType)
                arguments.append(f"({open_type(symbol)})&({text})" if whole else text)
            elif symbol.kind == "VAR_INPUT":
                arguments.append(text)
            elif is_aggregate(symbol.type):
                arguments.append(f"&{text}")
            else:
                name = self.fresh()
                before.append(f"{c_type(symbol.type)} {name} = {text};")
                arguments.append(f"&{name}")
                after.append(self.store(argument, name))
        for symbol, target, negated in node.outputs:
            name = self.fresh()
            before.append(f"{c_type(symbol.type)} {name};")
            arguments.append(f"&{name}")
            after.append(self.store(target, f"!{name}" if negated else name))
        given = {id(symbol) for symbol, _, _ in node.outputs}
        arguments = self._in_order(function, node, arguments, given)
        call = f"f_{id(function):x}({', '.join(arguments)})"
        if function.result is None:
            return f"({{ {' '.join(before)} {call}; {' '.join(after)} 0; }})"
        result = self.fresh()
        keep = f"{c_type(function.result)} {result} = {call};"
        return f"({{ {' '.join(before)} {keep} {' '.join(after)} {result}; }})"

    def _in_order(
        self,
        function: typed.Block,
        node: typed.FunctionCall,
        arguments: list[str],
        given: set[int],
    ) -> list[str]:
        """Inputs and in-outs, then every output: a null pointer where nobody wants it."""
        inputs = arguments[: len(node.arguments)]
        wanted = iter(arguments[len(node.arguments) :])
        targets = {id(symbol): next(wanted) for symbol, _, _ in node.outputs}
        outputs = function.of_kind("VAR_OUTPUT")
        assert given <= {id(symbol) for symbol in outputs}
        return [*inputs, *(targets.get(id(symbol), "0") for symbol in outputs)]

    def store(self, target: typed.Expression, value: str) -> str:
        """A statement that puts a value into a variable or a part of one."""
        if isinstance(target, typed.Part):
            base, type_ = self.render(target.base), c_type(target.base.type)
            mask = (1 << target.width) - 1
            kept = f"(uint64_t){base} & ~({mask}ull << {target.shift})"
            return (
                f"{base} = ({type_})({kept} | ((uint64_t)({value}) & {mask}ull) << {target.shift});"
            )
        if isinstance(target, typed.Character):
            base, index = self.render(target.base), self.number(target.index)
            return f"{base} = text_with({base}, {index}, {value}, {target.limit});"
        return f"{self.render(target)} = {value};"


def text_constant(value: str) -> str:
    """A text in C."""
    codes = ", ".join(str(ord(letter)) for letter in value) or "0"
    return f"text_of({len(value)}, (uint32_t[]){{{codes}}})"


def c_name(key: str) -> str:
    """A C name for a variable."""
    return "x_" + "".join(c if c.isalnum() and c.isascii() else f"_{ord(c):x}_" for c in key)
