"""Type specifications resolved on demand."""

from __future__ import annotations

from softctl.logic import tree, typed
from softctl.logic.initial_values import InitialValues
from softctl.logic.source import suggest
from softctl.logic.standard import elementary
from softctl.logic.types import (
    ERROR,
    INT,
    ArrayType,
    BlockType,
    EnumType,
    Field,
    OpenArrayType,
    StringType,
    StructType,
    SubrangeType,
)
from softctl.logic.world import DeclaredType, World
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType

MAX_ELEMENTS = 1_000_000
_ERROR = DeclaredType(ERROR)


class TypeResolver(InitialValues):
    """Resolves types; the declarer completes it."""

    def __init__(self, world: World) -> None:
        super().__init__(world)
        self.pending_types: dict[str, tree.TypeDeclaration] = {}
        self.open_arrays = False
        """True while a parameter is declared that may be an array of any bounds."""
        self._open: list[str] = []
        world.resolve_type = self._resolve_type

    def _resolve_type(self, key: str) -> DeclaredType | None:
        declaration = self.pending_types.get(key)
        if declaration is None:
            return None
        if key in self._open:
            self.reporter.error(declaration.at, f"type {declaration.name} contains itself")
            return _ERROR
        self._open.append(key)
        declared = self.spec(declaration.spec, declaration.name, None)
        if declaration.initial is not None:
            initial = self.initial(declaration.initial, declared.type, None)
            declared = DeclaredType(declared.type, initial)
        self._open.pop()
        self.world.types[key] = declared
        return declared

    def spec(self, spec: tree.TypeSpec, name: str, block: typed.Block | None) -> DeclaredType:
        """The type of a specification; `name` names it if it is a new one."""
        if isinstance(spec, tree.UnknownSpec):
            return _ERROR
        if isinstance(spec, tree.TypeName):
            return self._named(spec)
        if isinstance(spec, tree.StringSpec):
            return DeclaredType(self._string(spec, block))
        if isinstance(spec, tree.ArraySpec):
            return self._array(spec, name, block)
        if isinstance(spec, tree.StructSpec):
            return self._struct(spec, name, block)
        if isinstance(spec, tree.EnumSpec):
            return self._enumeration(spec, name, block)
        assert isinstance(spec, tree.SubrangeSpec)
        return self._subrange(spec, name, block)

    def _named(self, spec: tree.TypeName) -> DeclaredType:
        basic = elementary(spec.name)
        if basic is not None:
            return DeclaredType(basic)
        declared = self.world.find_type(spec.name)
        if declared is not None:
            return declared
        block = self.world.find_block(spec.name)
        if block is None and spec.name.upper() in self._open:
            return _ERROR  # it contains itself: that has been told
        if block is not None and block.kind == "FUNCTION_BLOCK":
            return DeclaredType(BlockType(block))
        if block is not None:
            self.reporter.error(spec.at, f"expected a type, got the {block.kind} {spec.name}")
            return _ERROR
        names = [*ELEMENTARY_TYPES, *self.world.type_names, *self.world.block_names]
        self.reporter.error(spec.at, f"expected a type, got {spec.name}", suggest(spec.name, names))
        return _ERROR

    def _string(self, spec: tree.StringSpec, block: typed.Block | None) -> StringType:
        if spec.length is None:
            return StringType(spec.wide)
        length = self.constant_int(spec.length, block)
        if length is not None and not 0 < length <= 65_535:
            self.reporter.error(spec.length.at, f"expected a length of 1 to 65535, got {length}")
            length = None
        return StringType(spec.wide, length or 1)

    def _array(self, spec: tree.ArraySpec, name: str, block: typed.Block | None) -> DeclaredType:
        bounds: list[tuple[int, int]] = []
        count = 1
        if None in spec.bounds:
            return self._open_array(spec, name, block)
        for pair in spec.bounds:
            assert pair is not None
            low = self.constant_int(pair[0], block)
            high = self.constant_int(pair[1], block)
            if low is None or high is None:
                return _ERROR
            if high < low:
                self.reporter.error(
                    pair[1].at, f"expected an upper bound from {low} up, got {high}"
                )
                return _ERROR
            bounds.append((low, high))
            count *= high - low + 1
        if count > MAX_ELEMENTS:
            self.reporter.error(spec.at, f"expected at most {MAX_ELEMENTS} elements, got {count}")
            return _ERROR
        element = self.spec(spec.element, f"{name} element", block)
        if element.type is ERROR:
            return _ERROR
        return DeclaredType(ArrayType(tuple(bounds), element.type, element.initial))

    def _open_array(
        self, spec: tree.ArraySpec, name: str, block: typed.Block | None
    ) -> DeclaredType:
        allowed, self.open_arrays = self.open_arrays, False
        if not allowed or any(spec.bounds):
            self.reporter.error(
                spec.at,
                "expected bounds: ARRAY[*] is for in-outs, and inputs of functions, only",
            )
            return _ERROR
        element = self.spec(spec.element, f"{name} element", block)
        if element.type is ERROR:
            return _ERROR
        return DeclaredType(OpenArrayType(len(spec.bounds), element.type))

    def _struct(self, spec: tree.StructSpec, name: str, block: typed.Block | None) -> DeclaredType:
        struct = StructType(name)
        for variable in spec.fields:
            key = variable.name.upper()
            if key in struct.fields:
                self.reporter.error(variable.at, f"member {variable.name} is declared twice")
                continue
            declared = self.declared(variable, block)
            if declared.type is not ERROR:
                struct.fields[key] = Field(variable.name, declared.type, declared.initial)
        return DeclaredType(struct)

    def _enumeration(
        self, spec: tree.EnumSpec, name: str, block: typed.Block | None
    ) -> DeclaredType:
        base: ElementaryType | None = elementary(spec.base) if spec.base else INT
        if base is None:
            self.reporter.error(spec.at, f"expected a whole-number type, got {spec.base}")
            base = INT
        enum = EnumType(name, {}, {}, base)
        following = 0
        for token, node in spec.items:
            given = self.constant_int(node, block) if node is not None else None
            value = following if given is None else given
            if not base.low <= value <= base.high:
                limits_ = f"{base.low} to {base.high}"
                self.reporter.error(token, f"expected a value of {base} ({limits_}), got {value}")
            if token.key in enum.values or value in enum.labels:
                self.reporter.error(token, f"value {token.text} is declared twice")
                continue
            enum.values[token.key] = value
            enum.labels[value] = token.text
            following = value + 1
            self.world.enum_values.setdefault(token.key, []).append(enum)
        return DeclaredType(enum, next(iter(enum.labels), 0))

    def _subrange(
        self, spec: tree.SubrangeSpec, name: str, block: typed.Block | None
    ) -> DeclaredType:
        base = elementary(spec.base)
        low = self.constant_int(spec.low, block)
        high = self.constant_int(spec.high, block)
        if base is None or not base.is_integer:
            self.reporter.error(spec.at, f"expected a whole-number type, got {spec.base}")
            return _ERROR
        if low is None or high is None:
            return _ERROR
        if not base.low <= low <= high <= base.high:
            self.reporter.error(spec.low.at, f"expected limits in order within {base}")
            return _ERROR
        return DeclaredType(SubrangeType(name, base, low, high), low)

    def declared(self, variable: tree.Variable, block: typed.Block | None) -> DeclaredType:
        """The type of a variable, with its own initial value or that of its type."""
        declared = self.spec(variable.spec, variable.name, block)
        if variable.initial is None or declared.type is ERROR:
            return declared
        initial = self.initial(variable.initial, declared.type, block)
        return _ERROR if initial is None else DeclaredType(declared.type, initial)
