"""What stands behind a name: members, indices, characters and bits."""

from __future__ import annotations

from softctl.logic import tree, typed
from softctl.logic.check_calls import CallChecker
from softctl.logic.folding import interval_of
from softctl.logic.source import Token, suggest
from softctl.logic.standard import elementary
from softctl.logic.types import (
    ERROR,
    ArrayType,
    BlockType,
    EnumType,
    OpenArrayType,
    StringType,
    StructType,
    Type,
    base_type,
    is_integer,
    is_kind,
)
from softctl.values.types import ElementaryType, Kind

_READABLE = ("VAR_INPUT", "VAR_OUTPUT", "VAR_IN_OUT")


class AccessChecker(CallChecker):
    """Checks accesses to parts of variables."""

    def enum_literal(self, node: tree.EnumLiteral) -> typed.Expression:
        """See ExpressionChecker."""
        raise NotImplementedError

    def member(self, node: tree.Member) -> typed.Expression:
        """A member of a structure or block, or a value of an enumeration."""
        if isinstance(node.base, tree.Name) and self.find_symbol(node.base.name.upper()) is None:
            declared = self.world.find_type(node.base.name)
            if declared is not None and isinstance(declared.type, EnumType):
                return self.enum_literal(tree.EnumLiteral(node.at, node.base.name, node.name))
        base = self.expression(node.base)
        type_, key = base.type, node.name.upper()
        if type_ is ERROR:
            return base
        if isinstance(type_, StructType):
            found = type_.fields.get(key)
            if found is not None:
                return typed.Member(node.at, base_type(found.type), base, key)
            names = [field.name for field in type_.fields.values()]
            return self._no_member(node, type_, names)
        if isinstance(type_, BlockType):
            symbol = type_.block.symbols.get(key)
            if symbol is not None and symbol.kind in _READABLE:
                return typed.Member(node.at, base_type(symbol.type), base, key)
            if symbol is not None and isinstance(symbol.type, StructType) and symbol.kind == "STEP":
                return typed.Member(node.at, symbol.type, base, key)
            if symbol is not None:
                return self.fail(
                    node.at, f"{node.name} is internal to {type_}: expected an input or output"
                )
            return self._no_member(node, type_, [s.name for s in type_.block.of_kind(*_READABLE)])
        return self.fail(node.at, f"expected a structure or block before .{node.name}, got {type_}")

    def _no_member(self, node: tree.Member, type_: Type, names: list[str]) -> typed.Expression:
        return self.fail(
            node.at, f"expected a member of {type_}, got {node.name}", suggest(node.name, names)
        )

    def index(self, node: tree.Index) -> typed.Expression:
        """An element of an array or a character of a string."""
        base = self.expression(node.base)
        indices = [self.settle(self.expression(index)) for index in node.indices]
        if base.type is ERROR:
            return base
        result = base
        while indices:
            array = result.type
            if isinstance(array, StringType) and len(indices) == 1:
                return self._character(node.at, result, array, indices[0])
            if not isinstance(array, ArrayType | OpenArrayType):
                return self.fail(node.at, f"expected an array before [, got {array}")
            count = array.dimensions
            if len(indices) < count:
                return self.fail(node.at, f"expected {count} indices, got {len(indices)}")
            if isinstance(array, OpenArrayType):
                result = self._open_element(node.at, result, array, indices[:count])
            else:
                result = self._element(node.at, result, array, indices[:count])
            indices = indices[count:]
        return result

    def _character(
        self, at: Token, base: typed.Expression, type_: StringType, index: typed.Expression
    ) -> typed.Expression:
        if index.type is not ERROR and not is_integer(index.type):
            return self.fail(index.at, f"expected a whole number as position, got {index.type}")
        if isinstance(index, typed.Constant) and not 1 <= index.value <= type_.length:
            return self.fail(
                index.at,
                f"expected a position between 1 and {type_.length}, got {index.value}",
            )
        character = elementary("WCHAR" if type_.wide else "CHAR")
        assert character is not None
        return typed.Character(at, character, base, index, type_.length)

    def _element(
        self, at: Token, base: typed.Expression, array: ArrayType, indices: list[typed.Expression]
    ) -> typed.Expression:
        checked = []
        for index, (low, high) in zip(indices, array.bounds, strict=True):
            if not self._is_index(index):
                return typed.Constant(at, ERROR, 0)
            interval = interval_of(index)
            inside = interval is not None and low <= interval[0] and interval[1] <= high
            if isinstance(index, typed.Constant) and not inside and index.type is not ERROR:
                return self.fail(
                    index.at, f"expected an index between {low} and {high}, got {index.value}"
                )
            checked.append(not inside)
        return typed.Index(at, base_type(array.element), base, indices, array.bounds, checked)

    def _is_index(self, index: typed.Expression) -> bool:
        type_ = index.type
        if is_kind(type_, Kind.BITS):
            self.reporter.depart(index.at, f"an index of type {type_}: write a number")
        elif type_ is not ERROR and not is_integer(type_) and not isinstance(type_, EnumType):
            self.fail(index.at, f"expected a whole number as index, got {type_}")
            return False
        return True

    def _open_element(
        self,
        at: Token,
        base: typed.Expression,
        array: OpenArrayType,
        indices: list[typed.Expression],
    ) -> typed.Expression:
        if not all(self._is_index(index) for index in indices):
            return typed.Constant(at, ERROR, 0)
        numbers = range(1, array.dimensions + 1)
        lows = [self.bound(at, base, "LOW", number) for number in numbers]
        highs = [self.bound(at, base, "HIGH", number) for number in numbers]
        return typed.OpenIndex(at, base_type(array.element), base, indices, lows, highs)

    def bit(self, node: tree.Bit) -> typed.Expression:
        """Some bits of a bit string or whole number."""
        base = self.expression(node.base)
        if base.type is ERROR:
            return base
        if not is_kind(base.type, Kind.BITS, Kind.SIGNED, Kind.UNSIGNED):
            return self.fail(node.at, f"expected a bit string before a bit number, got {base.type}")
        assert isinstance(base.type, ElementaryType)
        width = {"X": 1, "B": 8, "W": 16, "D": 32, "L": 64}[node.unit]
        count = base.type.bits // width
        if node.number >= count:
            return self.fail(
                node.at, f"expected a number between 0 and {count - 1}, got {node.number}"
            )
        names = {1: "BOOL", 8: "BYTE", 16: "WORD", 32: "DWORD", 64: "LWORD"}
        part = elementary(names[width])
        assert part is not None
        return typed.Part(node.at, part, base, node.number * width, width)
