"""Single values of variables for the C back end: where they are and what they are at first."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from native import c_name, is_real, text_constant

from softctl.logic.types import ArrayType, BlockType, StringType, StructType, SubrangeType, Type
from softctl.values.types import Kind


def leaves(
    type_: Type, initial: Any, path: str, place: str
) -> Iterable[tuple[str, str, Type, Any]]:
    """The single values of a variable: path, C place, type, initial value."""
    if isinstance(type_, ArrayType):
        yield from _elements(type_, type_.bounds, initial, (path, ""), (place, "0"))
    elif isinstance(type_, StructType):
        for key, member in type_.fields.items():
            value = (initial or {}).get(key)
            value = member.initial if value is None else value
            yield from leaves(member.type, value, f"{path}.{key}", f"{place}.{c_name(key)}")
    elif isinstance(type_, BlockType):
        for key, symbol in type_.block.symbols.items():
            if symbol.storage == "slot" and symbol.kind != "VAR_IN_OUT":
                value = (initial or {}).get(key)
                value = symbol.initial if value is None else value
                yield from leaves(symbol.type, value, f"{path}.{key}", f"{place}.{c_name(key)}")
    elif initial is not None:
        yield path, place, type_, initial
    elif isinstance(type_, StringType) or getattr(type_, "kind", None) is Kind.STRING:
        yield path, place, type_, "" if isinstance(type_, StringType) else chr(0)
    else:
        yield path, place, type_, type_.low if isinstance(type_, SubrangeType) else 0


def _elements(
    type_: ArrayType,
    bounds: tuple[tuple[int, int], ...],
    initial: Any,
    path: tuple[str, str],
    place: tuple[str, str],
) -> Iterable[tuple[str, str, Type, Any]]:
    (low, high), *rest = bounds
    for number in range(high - low + 1):
        value = initial[number] if initial is not None else None
        index = f"{path[1]},{low + number}".lstrip(",")
        offset = f"({place[1]}) * {high - low + 1} + {number}"
        if rest:
            inner = (path[0], index), (place[0], offset)
            yield from _elements(type_, tuple(rest), value, *inner)
        else:
            value = type_.initial if value is None else value
            yield from leaves(
                type_.element, value, f"{path[0]}[{index}]", f"{place[0]}.at[{offset}]"
            )


def constant(type_: Type, value: Any) -> str:
    """An initial value in C."""
    if isinstance(type_, StringType):
        return text_constant(value)
    if isinstance(value, str):
        return str(ord(value))
    if is_real(type_):
        return float(value).hex().replace("inf", "INFINITY").replace("nan", "NAN")
    return f"(int64_t){int(value) % (1 << 64)}ull"


def code_of(value: Any) -> int:
    """A whole number, or the number of a character."""
    return ord(value) if isinstance(value, str) else int(value)


def signed(value: Any, type_: Type) -> Any:
    """A value of the generated Python as the 64 bits that `Native.read` gives."""
    if isinstance(value, float):
        return value
    if isinstance(type_, StringType):
        mark = 14695981039346656037
        for letter in value:
            mark = (mark ^ ord(letter)) * 1099511628211 % (1 << 64)
        value = mark
    elif isinstance(value, str):
        value = ord(value)
    return (int(value) + (1 << 63)) % (1 << 64) - (1 << 63)
