"""A third back end for tests: straight-line programs as C, from the typed tree alone.

It proves that the tree carries what native code needs. Whole numbers are computed in 64
bits and cut to their type where a node says that it `wraps`; REAL is `float`.
"""

from __future__ import annotations

import ctypes
from typing import Any

from softctl.logic import typed
from softctl.logic.types import Type
from softctl.values.types import ElementaryType, Kind

_NAMES = {Kind.SIGNED: "int{}_t", Kind.UNSIGNED: "uint{}_t", Kind.BITS: "uint{}_t"}
_SIGNS = {"=": "==", "<>": "!=", "AND": "&", "OR": "|", "XOR": "^"}
HEAD = """
#include <math.h>
#include <stdint.h>
#define DIVIDE(a, b) ((b) == -1 ? -(a) : (a) / (b))
#define MODULO(a, b) ((b) == 0 || (b) == -1 ? 0 : (a) % (b))
#define UMODULO(a, b) ((b) == 0 ? 0 : (a) % (b))
"""
FLAGS = [
    "-w",
    "-O1",
    "-fwrapv",
    "-ffp-contract=off",
    "-fexcess-precision=standard",
    "-shared",
    "-fPIC",
]


def c_type(type_: Type) -> str:
    """The C type that holds a value."""
    assert isinstance(type_, ElementaryType), type_
    if type_.kind is Kind.BOOL:
        return "uint8_t"
    if type_.kind is Kind.REAL:
        return "float" if type_.bits == 32 else "double"
    return _NAMES.get(type_.kind, "int{}_t").format(type_.bits)


def ctypes_type(type_: Type) -> Any:
    """The same for ctypes."""
    name = c_type(type_)
    return getattr(ctypes, f"c_{name.removesuffix('_t')}")


def is_real(type_: Type) -> bool:
    """True for REAL and LREAL."""
    return isinstance(type_, ElementaryType) and type_.kind is Kind.REAL


def is_wide_unsigned(type_: Type) -> bool:
    """True where 64 signed bits do not do."""
    return c_type(type_) == "uint64_t"


def struct_and_function(block: typed.Block, number: int) -> str:
    """The variables of a program as a struct, and its body as a function on it."""
    fields = "".join(f"{c_type(s.type)} {s.key}; " for s in slots(block))
    body = "\n".join(statement(node) for node in block.body)
    return f"struct s{number} {{ {fields} }};\nvoid run{number}(struct s{number} *v) {{\n{body}\n}}"


def slots(block: typed.Block) -> list[typed.Symbol]:
    """The variables that live in an instance."""
    return [symbol for symbol in block.symbols.values() if symbol.storage == "slot"]


def statement(node: typed.Statement) -> str:
    """Assignments and IF."""
    if isinstance(node, typed.Assign):
        assert isinstance(node.target, typed.Variable)
        return f"v->{node.target.symbol.key} = {expression(node.value)};"
    assert isinstance(node, typed.If), node
    text = ""
    for condition, body in node.branches:
        inner = " ".join(map(statement, body))
        text += f"if ({expression(condition)}) {{ {inner} }} else "
    return f"{text} {{ {' '.join(map(statement, node.otherwise))} }}"


def cut(text: str, type_: Type, wraps: bool) -> str:
    """A whole number brought back into its type."""
    return f"(({c_type(type_)})({text}))" if wraps else f"({text})"


def number(node: typed.Expression) -> str:
    """A whole number in 64 bits."""
    wide = "uint64_t" if is_wide_unsigned(node.type) else "int64_t"
    return f"({wide}){expression(node)}"


def expression(node: typed.Expression) -> str:
    """One expression."""
    made: str = _RENDERERS[type(node)](node)
    return made


def _constant(node: typed.Constant) -> str:
    value = node.value
    if is_real(node.type):
        text = float(value).hex().replace("inf", "INFINITY").replace("nan", "NAN")
        return f"({c_type(node.type)})({text})"
    if is_wide_unsigned(node.type):
        return f"{value}ull"
    return f"((int64_t){int(value) % (1 << 64)}ull)"


def _variable(node: typed.Variable) -> str:
    return f"v->{node.symbol.key}"


def _unary(node: typed.Unary) -> str:
    if node.operator == "-":
        if is_real(node.type):
            return f"(-{expression(node.operand)})"
        return cut(f"-{number(node.operand)}", node.type, node.wraps)
    if c_type(node.type) == "uint8_t" and node.type.name == "BOOL":
        return f"(!{expression(node.operand)})"
    return cut(f"~{number(node.operand)}", node.type, True)


def _binary(node: typed.Binary) -> str:
    sign = _SIGNS.get(node.operator, node.operator)
    left, right = node.left, node.right
    if is_real(left.type) or node.type.name == "BOOL":
        values = (expression(left), expression(right))
        if not is_real(left.type) and left.type.name != "BOOL":
            values = (number(left), number(right))
        return f"(({c_type(node.type)})({values[0]} {sign} {values[1]}))"
    if node.operator in ("/", "MOD"):
        wide = is_wide_unsigned(node.type)
        name = {"/": "DIVIDE", "MOD": "MODULO"}[node.operator]
        if wide and name == "DIVIDE":
            return f"({number(left)} / {number(right)})"
        text = f"{'U' if wide else ''}{name}({number(left)}, {number(right)})"
        return cut(text, node.type, node.wraps)
    return cut(f"{number(left)} {sign} {number(right)}", node.type, node.wraps)


def _convert(node: typed.Convert) -> str:
    source, target = node.operand.type, node.type
    text = expression(node.operand)
    if is_real(target):
        return f"(({c_type(target)}){text})"
    if is_real(source):
        text = f"{'trunc' if node.mode == 'truncate' else 'rint'}((double){text})"
        return f"(({c_type(target)})(int64_t){text})"
    return cut(number(node.operand), target, node.wraps)


def _call(node: typed.StandardCall) -> str:
    texts = [f"({c_type(a.type)}){expression(a)}" for a in node.arguments]
    type_ = c_type(node.type)
    if node.name == "SEL":
        return f"({texts[0]} ? {texts[2]} : {texts[1]})"
    if node.name in ("MIN", "MAX"):
        sign = "<" if node.name == "MIN" else ">"
        return f"({{ {type_} a = {texts[0]}, b = {texts[1]}; a {sign} b ? a : b; }})"
    if node.name == "LIMIT":
        declared = f"{type_} lo = {texts[0]}, x = {texts[1]}, hi = {texts[2]};"
        return f"({{ {declared} x = lo > x ? lo : x; hi < x ? hi : x; }})"
    if node.name == "SQRT":
        return f"(({type_})sqrt({texts[0]}))"
    assert node.name == "ABS", node.name
    if is_real(node.type):
        return f"(({type_})fabs({texts[0]}))"
    return f"({{ int64_t a = {texts[0]}; ({type_})(a < 0 ? -a : a); }})"


_RENDERERS: dict[type, Any] = {
    typed.Constant: _constant,
    typed.Variable: _variable,
    typed.Unary: _unary,
    typed.Binary: _binary,
    typed.Convert: _convert,
    typed.StandardCall: _call,
}
