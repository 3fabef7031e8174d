"""Variables found by path, such as `Feed.Timer1.ET` or `Feed.Levels[3]`."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from softctl.errors import SoftctlError
from softctl.logic import typed
from softctl.logic.python_expressions import mangle
from softctl.logic.source import suggest
from softctl.logic.types import (
    ArrayType,
    BlockType,
    EnumType,
    StringType,
    StructType,
    Type,
    is_aggregate,
    is_kind,
    limits,
)
from softctl.logic.world import NOW, World
from softctl.values.types import ElementaryType, Kind

_WORD = re.compile(r"([^\W\d]\w*)|\[\s*([-+]?\d+(?:\s*,\s*[-+]?\d+)*)\s*\]")


@dataclass(frozen=True, slots=True)
class Location:
    """Where a variable lives: the program's key (empty for globals), the way, the last step."""

    program: str
    steps: tuple[str | int, ...]
    last: str | int
    type: Type


def locate(path: str, world: World, programs: Mapping[str, typed.Block]) -> Location:
    """Find a variable; raises SoftctlError with a suggestion if there is none."""
    if path.startswith("%"):
        return _at_address(path, world)
    words = _split(path)
    first = words[0]
    if not isinstance(first, str):
        raise SoftctlError(f"expected a path such as Program.Variable, got {path!r}")
    program = ""
    steps: list[str | int] = []
    symbol = world.globals_.get(first.upper())
    if symbol is None or (first.upper() in programs and len(words) > 1):
        block = programs.get(first.upper())
        if block is None:
            names = [s.name for s in world.globals_.values() if s.key != NOW]
            hint = suggest(first, [*(b.name for b in programs.values()), *names])
            raise SoftctlError(
                _join(f"expected a program or global variable, got {first}", path, hint)
            )
        if len(words) == 1 or not isinstance(words[1], str):
            raise SoftctlError(f"expected a variable of {block.name} ({path})")
        program = first.upper()
        words = words[1:]
        symbol = _variable(words[0], block, path)
        program = "" if symbol.storage == "global" else program
    if len(words) == 2 and isinstance(words[1], tuple):
        element = world.image.element(symbol, words[1])
        if element is not None:
            return Location("", (), mangle(element.key), element.type)
    steps.append(mangle(symbol.key))
    type_ = symbol.type
    for word in words[1:]:
        type_ = _step(type_, word, steps, path)
    return Location(program, tuple(steps[:-1]), steps[-1], type_)


def _at_address(path: str, world: World) -> Location:
    symbol = world.image.find(path)
    if symbol is None:
        known = sorted({s.address for s in world.image.symbols.values()})
        used = ", ".join(known) or "none is"
        raise SoftctlError(f"expected an address that a program uses ({used}), got {path}")
    return Location("", (), mangle(symbol.key), symbol.type)


def _split(path: str) -> list[str | tuple[int, ...]]:
    words: list[str | tuple[int, ...]] = []
    position = 0
    while position < len(path):
        if words and path[position] == ".":
            position += 1
        found = _WORD.match(path, position)
        if found is None:
            raise SoftctlError(f"expected a path such as Program.Variable, got {path!r}")
        words.append(found[1] or tuple(int(number) for number in found[2].split(",")))
        position = found.end()
    if not words:
        raise SoftctlError("expected a path such as Program.Variable, got nothing")
    return words


def _variable(word: str | tuple[int, ...], block: typed.Block, path: str) -> typed.Symbol:
    key = str(word).upper()
    symbol = block.symbols.get(key)
    if symbol is None or symbol.storage not in ("slot", "global"):
        names = [s.name for s in block.symbols.values() if s.storage == "slot" and s.name[0] != "_"]
        hint = suggest(str(word), names)
        raise SoftctlError(_join(f"expected a variable of {block.name}, got {word}", path, hint))
    return symbol


def _step(type_: Type, word: str | tuple[int, ...], steps: list[str | int], path: str) -> Type:
    if isinstance(word, tuple):
        return _element(type_, word, steps, path)
    key = word.upper()
    if isinstance(type_, StructType) and key in type_.fields:
        steps.append(mangle(key))
        return type_.fields[key].type
    if isinstance(type_, BlockType):
        symbol = _variable(word, type_.block, path)
        steps.append(mangle(symbol.key))
        return symbol.type
    names = [f.name for f in type_.fields.values()] if isinstance(type_, StructType) else []
    raise SoftctlError(
        _join(f"expected a member of {type_}, got {word}", path, suggest(word, names))
    )


def _element(type_: Type, indices: tuple[int, ...], steps: list[str | int], path: str) -> Type:
    if not isinstance(type_, ArrayType) or len(indices) < len(type_.bounds):
        raise SoftctlError(f"expected another kind of index for {type_} ({path})")
    rest = indices[len(type_.bounds) :]
    for index, (low, high) in zip(indices, type_.bounds, strict=False):
        if not low <= index <= high:
            raise SoftctlError(f"expected an index between {low} and {high}, got {index} ({path})")
        steps.append(index - low)
    return _element(type_.element, rest, steps, path) if rest else type_.element


def _join(message: str, path: str, hint: str) -> str:
    return f"{message} ({path})" + (f"; {hint}" if hint else "")


def _high(type_: Type) -> int:
    return type_.high if isinstance(type_, ElementaryType) else 0


def coerce_value(value: Any, location: Location, path: str) -> Any:
    """A value as its variable holds it; raises SoftctlError if it does not fit."""
    type_ = location.type
    if is_aggregate(type_):
        raise SoftctlError(f"expected the path of a single value, got {path} ({type_})")
    if isinstance(type_, StringType):
        if isinstance(value, str) and len(value) <= type_.length:
            return value
    elif is_kind(type_, Kind.STRING):
        if isinstance(value, str) and len(value) == 1 and ord(value) <= _high(type_):
            return value
    elif is_kind(type_, Kind.BOOL):
        if value in (0, 1):
            return bool(value)
    elif is_kind(type_, Kind.REAL):
        if isinstance(value, int | float) and not isinstance(value, bool):
            return float(value)
    elif isinstance(type_, EnumType) and isinstance(value, str):
        if value.upper() in type_.values:
            return type_.values[value.upper()]
    elif isinstance(value, int) and not isinstance(value, bool):
        bounds = limits(type_)
        if bounds is None or bounds[0] <= value <= bounds[1]:
            return value
    raise SoftctlError(f"expected a value of type {type_}, got {value!r} ({path})")
