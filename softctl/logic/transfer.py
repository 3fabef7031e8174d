"""Online change: a new application takes over the variables of the one that runs.

1. A variable goes on with its value if the new application has one of the same name and
   type in the same place; a constant takes its new value.
2. A chart goes on in its active steps if it still has them all, else it starts anew.
3. What cannot go on has its initial value, and is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from softctl.logic import typed
from softctl.logic.python_expressions import mangle
from softctl.logic.sfc import ACTION_TYPE, STEP_TYPE
from softctl.logic.types import (
    ArrayType,
    BlockType,
    EnumType,
    StructType,
    SubrangeType,
    Type,
    is_aggregate,
)

Symbols = Mapping[str, typed.Symbol]


@dataclass(slots=True)
class TakeOver:
    """What became of the variables: how many went on, and which were there but did not.

    `reset` holds paths of variables whose declaration changed and of charts that started
    anew, `gone` those that the new application does not have.
    """

    kept: int = 0
    reset: list[str] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)

    def carry(self, old: Symbols, new: Symbols, source: Any, target: Any, path: str = "") -> None:
        """Copy the variables of one object, or without `path` all global ones, to another."""
        storage = "slot" if path else "global"
        there = _own(new, storage)
        for key, symbol in _own(old, storage).items():
            name = f"{path}{symbol.name}"
            fresh = there.get(key)
            if fresh is None:
                self._note(self.gone, name, symbol)
            elif not _same(symbol.type, fresh.type):
                self._note(self.reset, name, symbol)
            else:
                attribute = mangle(key)
                value = getattr(source, attribute)
                held = getattr(target, attribute)
                if self._carry_value(fresh.type, symbol.type, value, held, name):
                    setattr(target, attribute, value)

    def carry_unit(
        self, old: typed.Block, new: typed.Block, source: Any, target: Any, path: str
    ) -> None:
        """The same for a program or function block, with its chart if it has one."""
        symbols: Symbols = old.symbols
        if _has_chart(old) and _has_chart(new):
            if not _active(old, source) <= _steps(new):
                self.reset.append(f"{path} (chart)")
                symbols = {k: s for k, s in symbols.items() if not _is_of_chart(s)}
            elif set(filter(_is_hidden, old.symbols)) != set(filter(_is_hidden, new.symbols)):
                symbols = {k: s for k, s in symbols.items() if not _is_numbered(k)}
        self.carry(symbols, new.symbols, source, target, f"{path}.")

    def _note(self, where: list[str], name: str, symbol: typed.Symbol) -> None:
        if not _is_hidden(symbol.key):
            where.append(name)

    def _carry_value(self, new: Type, old: Type, value: Any, held: Any, name: str) -> bool:
        """Copy what is inside an aggregate; True for a plain value, which is set as a whole."""
        if isinstance(new, BlockType) and isinstance(old, BlockType):
            self.carry_unit(old.block, new.block, value, held, name)
        elif isinstance(new, StructType) and isinstance(old, StructType):
            self._carry_fields(old, new, value, held, name)
        elif isinstance(new, ArrayType) and isinstance(old, ArrayType):
            self._carry_elements(new.element, old.element, value, held, name)
        else:
            self.kept += 1
            return True
        return False

    def _carry_fields(
        self, old: StructType, new: StructType, value: Any, held: Any, name: str
    ) -> None:
        for key, member in old.fields.items():
            fresh = new.fields.get(key)
            inside = f"{name}.{member.name}"
            if fresh is None:
                self.gone.append(inside)
            elif not _same(member.type, fresh.type):
                self.reset.append(inside)
            else:
                attribute = mangle(key)
                one, other = getattr(value, attribute), getattr(held, attribute)
                if self._carry_value(fresh.type, member.type, one, other, inside):
                    setattr(held, attribute, one)

    def _carry_elements(self, new: Type, old: Type, values: Any, held: Any, name: str) -> None:
        """Rows of an array with several dimensions are lists in a list."""
        for index, value in enumerate(values):
            inside = f"{name}[]"
            if isinstance(value, list):
                self._carry_elements(new, old, value, held[index], inside)
            elif self._carry_value(new, old, value, held[index], inside):
                held[index] = value


def _own(symbols: Symbols, storage: str) -> Symbols:
    """The variables that live here, without those that refer to somebody else's."""
    return {
        key: symbol
        for key, symbol in symbols.items()
        if symbol.storage == storage and symbol.kind != "VAR_IN_OUT"
    }


def _same(old: Type, new: Type) -> bool:
    """Whether a value of the one means the same in the other."""
    if isinstance(old, EnumType) and isinstance(new, EnumType):
        return old.base is new.base and old.values == new.values
    if isinstance(old, SubrangeType) and isinstance(new, SubrangeType):
        return (old.base, old.low, old.high) == (new.base, new.low, new.high)
    if isinstance(old, ArrayType) and isinstance(new, ArrayType):
        return old.bounds == new.bounds and _same(old.element, new.element)
    if is_aggregate(old) or is_aggregate(new):
        return type(old) is type(new) and old.name.upper() == new.name.upper()
    return old == new


# Charts


def _has_chart(block: typed.Block) -> bool:
    return bool(_steps(block))


def _steps(block: typed.Block) -> set[str]:
    return {key for key, symbol in block.symbols.items() if _type_name(symbol) == STEP_TYPE}


def _active(block: typed.Block, source: Any) -> set[str]:
    return {key for key in _steps(block) if getattr(source, mangle(key)).X}


def _type_name(symbol: typed.Symbol) -> str:
    return symbol.type.name if isinstance(symbol.type, StructType) else ""


def _is_hidden(key: str) -> bool:
    return key.startswith("__")


def _is_of_chart(symbol: typed.Symbol) -> bool:
    return _is_hidden(symbol.key) or _type_name(symbol) in (STEP_TYPE, ACTION_TYPE)


def _is_numbered(key: str) -> bool:
    """Hidden variables that are counted, so that a chart that grew counts them otherwise."""
    return _is_hidden(key) and key[-1].isdigit()
