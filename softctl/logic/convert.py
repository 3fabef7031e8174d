"""Conversions between types: which are implicit, which are tolerated, which are errors."""

from __future__ import annotations

from math import isinf

from softctl.logic import typed
from softctl.logic.folding import fits, fold_as_real, interval_of, settle
from softctl.logic.source import Reporter, Token
from softctl.logic.types import (
    DINT,
    ERROR,
    INT,
    LINT,
    LREAL,
    REAL,
    ULINT,
    UNTYPED_INT,
    UNTYPED_REAL,
    UNTYPED_STRING,
    ArrayType,
    EnumType,
    OpenArrayType,
    StringType,
    StructType,
    SubrangeType,
    Type,
    is_integer,
    is_kind,
    is_real,
    is_string,
    limits,
    narrows,
    widens,
)
from softctl.values.types import ElementaryType, Kind


class Converter:
    """Fits expressions to types and reports what does not fit."""

    def __init__(self, reporter: Reporter) -> None:
        self.reporter = reporter

    def coerce(
        self, value: typed.Expression, target: Type, at: Token | None = None
    ) -> typed.Expression:
        """The expression as `target`, converted where the standard or practice allows."""
        at = at or value.at
        source = value.type
        if target is ERROR or source is ERROR:
            return value
        if isinstance(target, SubrangeType):
            return self._into_subrange(self.coerce(value, target.base, at), target, at)
        if source == target or (isinstance(target, OpenArrayType) and target.takes(source)):
            return value
        if isinstance(target, EnumType) and is_integer(source):
            return self.into_enum(value, target, at)
        if isinstance(value, typed.Constant):
            return self._constant(value, target, at)
        if widens(source, target):
            return _converted(value, target)
        if narrows(source, target):
            if not fits(interval_of(value), target) or is_real(source):
                self.reporter.depart(
                    at,
                    f"{source} becomes {target} here and may lose part of its value:"
                    f" write {_conversion(source, target)}(…)",
                )
            return _converted(value, target)
        return self.mismatch(value, target, at)

    def into_enum(self, value: typed.Expression, target: EnumType, at: Token) -> typed.Expression:
        """A whole number as a value of an enumeration; one outside of it is a fault."""
        if isinstance(value, typed.Constant):
            label = target.labels.get(value.value)
            if label is None:
                self.reporter.error(at, f"expected {article(target)}, got {value.value}")
                return typed.Constant(value.at, ERROR, 0)
            message = f"{value.value} as a value of {target}: write {target}#{label}"
            self.reporter.depart(at, message)
            return typed.Constant(value.at, target, value.value)
        self.reporter.depart(at, f"{value.type} becomes {target} here: write its values by name")
        low, high = min(target.labels), max(target.labels)
        return typed.RangeCheck(at, target, value, low, high)

    def mismatch(self, value: typed.Expression, target: Type, at: Token) -> typed.Expression:
        """Report a value of the wrong type."""
        hint = ""
        if isinstance(value.type, ElementaryType | StringType) and isinstance(
            target, ElementaryType | StringType
        ):
            hint = f"convert it with {_conversion(value.type, target)}(…)"
        self.reporter.error(at, f"expected {article(target)}, got {article(value.type)}", hint)
        return typed.Constant(value.at, ERROR, 0)

    def _into_subrange(
        self, value: typed.Expression, target: SubrangeType, at: Token
    ) -> typed.Expression:
        interval = interval_of(value)
        if value.type is ERROR or interval is None:
            return value
        if isinstance(value, typed.Constant) and not target.low <= value.value <= target.high:
            self.reporter.error(
                at, f"expected a value between {target.low} and {target.high}, got {value.value}"
            )
        if target.low <= interval[0] and interval[1] <= target.high:
            return value
        return typed.RangeCheck(at, value.type, value, target.low, target.high)

    def _constant(self, value: typed.Constant, target: Type, at: Token) -> typed.Expression:
        source = value.type
        made = typed.Constant(value.at, target, value.value)
        if source is UNTYPED_INT:
            return self._whole_literal(made, target, at)
        if source is UNTYPED_REAL and is_real(target):
            return self._real_literal(value, made, at)
        if source is UNTYPED_STRING and isinstance(target, StringType):
            return self._text_literal(made, at)
        if is_string(source) and is_kind(target, Kind.STRING) and len(value.value) == 1:
            return self._letter(made, source, at)
        if is_kind(target, Kind.DURATION) and is_kind(source, Kind.DURATION):
            return made
        if widens(source, target) or narrows(source, target):
            if isinstance(value.value, str):
                return self._text_literal(made, at)
            if limits(target) is not None and not fits(interval_of(value), target):
                return self._too_big(value, target, at)
            made.value = settle(
                int(value.value) if isinstance(value.value, bool) else value.value, target
            )
            return made
        return self.mismatch(value, target, at)

    def _letter(self, made: typed.Constant, source: Type, at: Token) -> typed.Expression:
        target = made.type
        assert isinstance(target, ElementaryType)
        wide = isinstance(source, StringType) and source.wide
        if (wide and target.name != "WCHAR") or ord(made.value) > target.high:
            made.type = source
            return self.mismatch(made, target, at)
        return made

    def _text_literal(self, made: typed.Constant, at: Token) -> typed.Expression:
        length = made.type.length if isinstance(made.type, StringType) else 1
        if len(made.value) > length:
            got = len(made.value)
            self.reporter.error(at, f"expected at most {length} characters, got {got}")
        return made

    def _real_literal(
        self, value: typed.Constant, made: typed.Constant, at: Token
    ) -> typed.Expression:
        try:
            made.value = fold_as_real(value) if made.type == REAL else value.value
        except (ArithmeticError, ValueError):
            self.reporter.error(value.at, "expected a constant that can be computed as REAL")
            made.type = ERROR
        if value.parts is None and isinf(made.value):
            self.reporter.error(at, f"expected a REAL (up to 3.4E38), got {value.value:G}")
            made.type = ERROR
        return made

    def _whole_literal(self, made: typed.Constant, target: Type, at: Token) -> typed.Expression:
        if is_real(target):
            made.value = settle(made.value, target)
            return made
        if is_kind(target, Kind.SIGNED, Kind.UNSIGNED, Kind.BITS):
            if not fits((made.value, made.value), target):
                return self._too_big(made, target, at)
            return made
        if is_kind(target, Kind.BOOL) and made.value in (0, 1):
            made.value = bool(made.value)
            return made
        made.type = UNTYPED_INT
        hint = "write a literal such as T#5s" if is_kind(target, Kind.DURATION) else ""
        if hint:
            self.reporter.error(at, f"expected {article(target)}, got a whole number", hint)
            return typed.Constant(made.at, ERROR, 0)
        return self.mismatch(made, target, at)

    def _too_big(self, value: typed.Constant, target: Type, at: Token) -> typed.Expression:
        bounds = limits(target)
        assert bounds is not None
        self.reporter.error(
            at,
            f"expected {article(target)} ({bounds[0]} to {bounds[1]}), got {value.value}",
        )
        return typed.Constant(value.at, ERROR, 0)

    def settle(self, value: typed.Expression, want: Type | None = None) -> typed.Expression:
        """Give an untyped literal the wanted type, or the least usual one that holds it."""
        if value.type is UNTYPED_INT and isinstance(value, typed.Constant):
            if want is not None and (is_real(want) or fits((value.value, value.value), want)):
                return self.coerce(value, want)
            held = next((t for t in (INT, DINT, LINT) if fits((value.value,) * 2, t)), ULINT)
            return self.coerce(value, held)
        if value.type is UNTYPED_REAL:
            return self.coerce(value, want if want is not None and is_real(want) else LREAL)
        if value.type is UNTYPED_STRING and isinstance(value, typed.Constant):
            return self.coerce(value, want if isinstance(want, StringType) else StringType())
        return value


def convert(value: typed.Expression, target: Type, mode: str = "round") -> typed.Expression:
    """An explicit conversion, folded for constants when it only changes numbers' types."""
    node = typed.Convert(value.at, target, value, mode)
    node.wraps = limits(target) is not None and not fits(interval_of(value), target)
    return node


def _converted(value: typed.Expression, target: Type) -> typed.Expression:
    if isinstance(value, typed.Constant) and isinstance(target, StringType):
        return typed.Constant(value.at, target, value.value)
    if isinstance(value.type, StringType) and isinstance(target, StringType):
        if value.type.length <= target.length:
            return value
        return typed.Convert(value.at, target, value, "shorten")
    return convert(value, target)


def _conversion(source: Type, target: Type) -> str:
    return f"{getattr(source, 'name', source)}_TO_{getattr(target, 'name', target)}"


def article(type_: Type) -> str:
    """How messages call a value of a type."""
    text = str(type_)
    if isinstance(type_, EnumType):
        return (
            f"a value of {text} ({', '.join(type_.names[:4])}{'…' if len(type_.names) > 4 else ''})"
        )
    if isinstance(type_, StructType):
        return f"a structure {text}"
    if text.startswith(("a ", "an ", "no ")):
        return text
    if isinstance(type_, EnumType | ArrayType) or text[0] not in "AEIOU":
        return f"a {text}" if not text.startswith("ARRAY") else f"an {text}"
    return f"a {text}" if text.startswith("U") else f"an {text}"
