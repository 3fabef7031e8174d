"""The types of checked programs: elementary ones come from softctl.values, others are here.

Types compare by identity, apart from strings and arrays, which are the same when their
parts are. A subrange is read as its base type; only storing into it checks its limits.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from softctl.values.types import ELEMENTARY_TYPES, ElementaryType, Kind

if TYPE_CHECKING:
    from softctl.logic.typed import Block

DEFAULT_STRING_LENGTH = 254
MAX_STRING_LENGTH = 65_535


@dataclass(frozen=True, slots=True)
class StringType:
    """STRING[length] or WSTRING[length]."""

    wide: bool = False
    length: int = DEFAULT_STRING_LENGTH

    @property
    def name(self) -> str:
        """The keyword without the length."""
        return "WSTRING" if self.wide else "STRING"

    def __str__(self) -> str:
        return self.name if self.length == DEFAULT_STRING_LENGTH else f"{self.name}[{self.length}]"


@dataclass(frozen=True, slots=True)
class ArrayType:
    """ARRAY[bounds] OF element; `initial` is the default of the element's declared type."""

    bounds: tuple[tuple[int, int], ...]
    element: Type
    initial: Any = field(default=None, compare=False)

    @property
    def dimensions(self) -> int:
        """How many indices an element takes."""
        return len(self.bounds)

    @property
    def name(self) -> str:
        """The type as written."""
        bounds = ", ".join(f"{low}..{high}" for low, high in self.bounds)
        return f"ARRAY[{bounds}] OF {self.element}"

    def __str__(self) -> str:
        return self.name


@dataclass(frozen=True, slots=True)
class OpenArrayType:
    """ARRAY[*, …] OF element: a parameter that takes arrays of any bounds."""

    dimensions: int
    element: Type

    @property
    def name(self) -> str:
        """The type as written."""
        return f"ARRAY[{', '.join('*' * self.dimensions)}] OF {self.element}"

    def __str__(self) -> str:
        return self.name

    def takes(self, type_: Type) -> bool:
        """True for an array that may be given for such a parameter."""
        if isinstance(type_, OpenArrayType):
            return type_ == self
        return (
            isinstance(type_, ArrayType)
            and type_.dimensions == self.dimensions
            and type_.element == self.element
        )


def bound_key(array: str, which: str, dimension: int) -> str:
    """The hidden parameter that holds a bound (LOW or HIGH) of an array of any bounds."""
    return f"__{which}_{array}_{dimension}"


@dataclass(frozen=True, slots=True)
class Field:
    """A member of a structure; `initial` is None for its type's default."""

    name: str
    type: Type
    initial: Any = None


@dataclass(eq=False, slots=True)
class StructType:
    """STRUCT; fields by key, in order."""

    name: str
    fields: dict[str, Field] = field(default_factory=dict)

    def __str__(self) -> str:
        return self.name


@dataclass(eq=False, slots=True)
class EnumType:
    """An enumeration; values by key, the first is the default."""

    name: str
    values: dict[str, int]
    labels: dict[int, str]
    base: ElementaryType

    @property
    def names(self) -> list[str]:
        """The values' names as written."""
        return list(self.labels.values())

    def __str__(self) -> str:
        return self.name


@dataclass(eq=False, slots=True)
class SubrangeType:
    """A whole-number type narrowed to low..high."""

    name: str
    base: ElementaryType
    low: int
    high: int

    def __str__(self) -> str:
        return f"{self.base}({self.low}..{self.high})"


@dataclass(eq=False, slots=True)
class BlockType:
    """The type of function block instances."""

    block: Block

    @property
    def name(self) -> str:
        """The block's name."""
        return self.block.name

    def __str__(self) -> str:
        return self.block.name


@dataclass(frozen=True, slots=True)
class UntypedLiteral:
    """What a literal without a type is until its surroundings give it one."""

    name: str

    def __str__(self) -> str:
        return self.name


Type = (
    ElementaryType
    | StringType
    | ArrayType
    | OpenArrayType
    | StructType
    | EnumType
    | SubrangeType
    | BlockType
    | UntypedLiteral
)

UNTYPED_INT = UntypedLiteral("a whole number")
UNTYPED_REAL = UntypedLiteral("a real number")
UNTYPED_STRING = UntypedLiteral("a string")
ERROR = UntypedLiteral("an unknown type")
"""The type of what has already been reported; everything fits it."""
VOID = UntypedLiteral("no value")

BOOL = ELEMENTARY_TYPES["BOOL"]
INT = ELEMENTARY_TYPES["INT"]
UINT = ELEMENTARY_TYPES["UINT"]
DINT = ELEMENTARY_TYPES["DINT"]
LINT = ELEMENTARY_TYPES["LINT"]
ULINT = ELEMENTARY_TYPES["ULINT"]
REAL = ELEMENTARY_TYPES["REAL"]
LWORD = ELEMENTARY_TYPES["LWORD"]
LREAL = ELEMENTARY_TYPES["LREAL"]
TIME = ELEMENTARY_TYPES["TIME"]
LTIME = ELEMENTARY_TYPES["LTIME"]

ALIASES = {
    "TIME_OF_DAY": "TOD",
    "LTIME_OF_DAY": "LTOD",
    "DATE_AND_TIME": "DT",
    "LDATE_AND_TIME": "LDT",
}

_UNSIGNED_WIDER = {"USINT": 16, "UINT": 32, "UDINT": 64}


def is_kind(type_: Type, *kinds: Kind) -> bool:
    """True for an elementary type of one of these kinds."""
    return isinstance(type_, ElementaryType) and type_.kind in kinds


def is_integer(type_: Type) -> bool:
    """True for ANY_INT, untyped whole numbers included."""
    return type_ is UNTYPED_INT or is_kind(type_, Kind.SIGNED, Kind.UNSIGNED)


def is_real(type_: Type) -> bool:
    """True for ANY_REAL, untyped real numbers included."""
    return type_ is UNTYPED_REAL or is_kind(type_, Kind.REAL)


def is_numeric(type_: Type) -> bool:
    """True for ANY_NUM."""
    return is_integer(type_) or is_real(type_)


def is_string(type_: Type) -> bool:
    """True for strings and string literals."""
    return type_ is UNTYPED_STRING or isinstance(type_, StringType)


def is_aggregate(type_: Type) -> bool:
    """True for what Python holds in an object that can change."""
    return isinstance(type_, ArrayType | OpenArrayType | StructType | BlockType)


def is_untyped(type_: Type) -> bool:
    """True for literals that take the type of their surroundings."""
    return isinstance(type_, UntypedLiteral)


def base_type(type_: Type) -> Type:
    """The type that reading gives: the base of a subrange, otherwise itself."""
    return type_.base if isinstance(type_, SubrangeType) else type_


def limits(type_: Type) -> tuple[int, int] | None:
    """The least and greatest value of a whole-number type, or None."""
    if isinstance(type_, SubrangeType):
        return type_.low, type_.high
    if isinstance(type_, EnumType):
        return min(type_.labels), max(type_.labels)
    if isinstance(type_, ElementaryType) and type_.kind not in (Kind.REAL, Kind.STRING):
        return (type_.low, type_.high) if type_.kind is not Kind.BOOL else None
    return None


def widens(source: Type, target: Type) -> bool:
    """True if the standard converts implicitly (IEC 61131-3, figure 12, from memory)."""
    if source == target:
        return True
    if isinstance(source, StringType) and isinstance(target, StringType):
        return source.wide == target.wide
    if not isinstance(source, ElementaryType) or not isinstance(target, ElementaryType):
        return False
    a, b = source.kind, target.kind
    if a is b and a is not Kind.DATE:
        return source.bits <= target.bits
    if a is Kind.DATE and b is Kind.DATE:
        return target.name == "L" + source.name
    if a is Kind.UNSIGNED and b is Kind.SIGNED:
        return target.bits > source.bits
    if a in (Kind.SIGNED, Kind.UNSIGNED) and b is Kind.REAL:
        return source.bits < target.bits
    return a is Kind.BOOL and b is Kind.BITS


def narrows(source: Type, target: Type) -> bool:
    """True for conversions that practitioners leave implicit though the standard does not."""
    if isinstance(source, EnumType):
        return is_integer(target)
    if not isinstance(source, ElementaryType) or not isinstance(target, ElementaryType):
        return False
    whole = (Kind.SIGNED, Kind.UNSIGNED, Kind.BITS)
    if source.kind in whole and target.kind in whole:
        return True
    if target.kind is Kind.REAL:
        return source.is_numeric
    return source.kind is target.kind is Kind.DATE and source.name == "L" + target.name


def common_type(left: Type, right: Type) -> Type | None:
    """The least type that both operands convert to, or None."""
    if isinstance(left, StringType) and isinstance(right, StringType) and left.wide == right.wide:
        return left if left.length >= right.length else right
    if widens(left, right):
        return right
    if widens(right, left):
        return left
    if is_untyped(left) or is_untyped(right):
        return _common_with_literal(left, right)
    if not isinstance(left, ElementaryType) or not isinstance(right, ElementaryType):
        return None
    if left.is_integer and right.is_integer:
        bits = 2 * max(t.bits for t in (left, right) if t.kind is Kind.UNSIGNED)
        return next((t for t in (INT, DINT, LINT) if t.bits == bits), None)
    if left.is_numeric and right.is_numeric:
        return LREAL
    return None


def _common_with_literal(left: Type, right: Type) -> Type | None:
    if is_untyped(left) and is_untyped(right):
        return UNTYPED_REAL if is_numeric(left) and is_numeric(right) else None
    literal, typed = (left, right) if is_untyped(left) else (right, left)
    if literal is UNTYPED_INT:
        fits = is_numeric(typed) or is_kind(typed, Kind.BITS, Kind.BOOL)
        return typed if fits else None
    if literal is UNTYPED_REAL:
        if is_kind(typed, Kind.SIGNED, Kind.UNSIGNED):
            return REAL if widens(typed, REAL) else LREAL
        return typed if is_real(typed) else None
    if literal is UNTYPED_STRING:
        return typed if is_string(typed) or typed.name in ("CHAR", "WCHAR") else None
    return None
