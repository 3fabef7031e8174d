"""The whole matrix of conversions `*_TO_*` (IEC 61131-3 tables 22 to 27), as one table.

Each pair of families has a rule; a back end has to know the rules, not the types. Where
the standard leaves a pair open the rule is common practice: texts are what a literal of
the type looks like, and durations and dates count in a whole unit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from softctl.logic.types import ALIASES, EnumType, StringType, SubrangeType, Type
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType, Kind

_FAMILIES = ("BOOL", "BITS", "INT", "REAL", "TIME", "DATE", "TOD", "DT", "CHAR", "STRING")
_TABLE = """
BOOL    number number number number  count  -      -      -        code    text
BITS    number number number number  count  count  count  count    code    text
INT     number number number number  count  count  count  count    code    text
REAL    number number number number  count  -      -      -        -       text
TIME    -      count  count  count   number -      number -        -       text
DATE    -      count  count  count   -      number -      number   -       text
TOD     -      count  count  count   number -      number -        -       text
DT      -      count  count  count   -      day    clock  number   -       text
CHAR    code   code   code   -       -      -      -      -        code    char
STRING  parse  parse  parse  parse   parse  parse  parse  parse    first   string
"""

RULES: dict[tuple[str, str], str] = {
    (row.split()[0], target): rule
    for row in _TABLE.strip().splitlines()
    for target, rule in zip(_FAMILIES, row.split()[1:], strict=True)
    if rule != "-"
}
"""What each rule does:

number: the value is kept; a REAL becomes a whole number rounded half to even, and the
    bits beyond a narrower type's width are lost.
transfer: the bits of a REAL and a DWORD, or an LREAL and an LWORD, are the same (table 26).
count: TIME and TOD count milliseconds, DATE and DT seconds, the long types nanoseconds.
day, clock: the date, or the time of day, of a date and time.
code: between a character and its number; bits beyond a narrower type's width are lost.
char, first: a text of one character, and the first character of a text.
text, parse: the literal of a value, without a type's name for numbers, and its value.
string: between STRING and WSTRING.
"""

_UNIT_NS = {"TIME": 1_000_000, "TOD": 1_000_000, "DATE": 1_000_000_000, "DT": 1_000_000_000}


def family(type_: Type) -> str:
    """The row or column of a type in the table, or nothing."""
    if isinstance(type_, StringType):
        return "STRING"
    if isinstance(type_, EnumType):
        return "INT"
    if isinstance(type_, SubrangeType):
        return family(type_.base)
    if not isinstance(type_, ElementaryType):
        return ""
    if type_.kind is Kind.DATE:
        return type_.name.removeprefix("L")
    if type_.kind is Kind.STRING:
        return type_.name.removeprefix("W")
    names = {Kind.SIGNED: "INT", Kind.UNSIGNED: "INT", Kind.BITS: "BITS", Kind.DURATION: "TIME"}
    return names.get(type_.kind, type_.kind.name)


def rule(source: Type, target: Type) -> str:
    """The rule of a pair of types, or nothing where there is no conversion."""
    pair = family(source), family(target)
    same_bits = getattr(source, "bits", 0) == getattr(target, "bits", 1)
    if pair in (("REAL", "BITS"), ("BITS", "REAL")) and same_bits:
        return "transfer"
    return RULES.get(pair, "")


def unit_ns(type_: Type) -> int:
    """What one counts for when a duration or date becomes a number, in nanoseconds."""
    assert isinstance(type_, ElementaryType)
    return _UNIT_NS.get(type_.name, 1)


@dataclass(frozen=True, slots=True)
class ConversionName:
    """A conversion function by its name; `source` None is overloaded, `target` None left open."""

    source: ElementaryType | None
    target: ElementaryType | None
    mode: str = ""


_PATTERNS = (
    (re.compile(r"(?:(\w+)_)?TO_BCD(?:_(\w+))?"), "to bcd"),
    (re.compile(r"(?:(\w+)_)?BCD_TO_(\w+)"), "from bcd"),
    (re.compile(r"(?:(\w+)_)?TRUNC(?:_(\w+))?"), "truncate"),
    (re.compile(r"(?:(\w+)_)?TO_(\w+)"), ""),
)


def conversion_name(name: str) -> ConversionName | None:
    """`REAL_TO_INT`, `TO_INT`, `REAL_TRUNC_INT`, `TRUNC`, `USINT_TO_BCD_BYTE`, `BCD_TO_INT`…"""
    for pattern, mode in _PATTERNS:
        found = pattern.fullmatch(name.upper())
        if found is None:
            continue
        types = [_elementary(word) if word else None for word in found.groups()]
        if all(type_ or not word for type_, word in zip(types, found.groups(), strict=True)):
            return ConversionName(types[0], types[1], mode)
    return None


def _elementary(name: str) -> ElementaryType | None:
    return ELEMENTARY_TYPES.get(ALIASES.get(name, name))
