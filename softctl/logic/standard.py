"""The standard functions' signatures (IEC 61131-3 tables 28 to 36).

A row reads `NAME(parameter: type, …): result`. A generic type such as ANY_REAL after a
letter binds the letter; `...` lets the last parameter repeat. How a function is computed
is each back end's business: for Python see `python_functions.py`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from softctl.logic.types import ALIASES, Type, is_integer, is_kind, is_numeric, is_real, is_string
from softctl.values.types import ELEMENTARY_TYPES, ElementaryType, Kind

_TABLE = """
ABS(IN: T ANY_NUM): T
SQRT(IN: T ANY_REAL): T
LN(IN: T ANY_REAL): T
LOG(IN: T ANY_REAL): T
EXP(IN: T ANY_REAL): T
SIN(IN: T ANY_REAL): T
COS(IN: T ANY_REAL): T
TAN(IN: T ANY_REAL): T
ASIN(IN: T ANY_REAL): T
ACOS(IN: T ANY_REAL): T
ATAN(IN: T ANY_REAL): T
ATAN2(Y: T ANY_REAL, X: T): T
MOVE(IN: T ANY): T
SEL(G: BOOL, IN0: T ANY, IN1: T): T
MUX(K: ANY_INT, IN0: T ANY, ...): T
MIN(IN1: T ANY_ELEMENTARY, ...): T
MAX(IN1: T ANY_ELEMENTARY, ...): T
LIMIT(MN: T ANY_ELEMENTARY, IN: T, MX: T): T
SHL(IN: T ANY_BIT, N: ANY_INT): T
SHR(IN: T ANY_BIT, N: ANY_INT): T
ROL(IN: T ANY_BIT, N: ANY_INT): T
ROR(IN: T ANY_BIT, N: ANY_INT): T
LEN(IN: S ANY_STRING): INT
LEFT(IN: S ANY_STRING, L: ANY_INT): S
RIGHT(IN: S ANY_STRING, L: ANY_INT): S
MID(IN: S ANY_STRING, L: ANY_INT, P: ANY_INT): S
CONCAT(IN1: S ANY_STRING, ...): S
INSERT(IN1: S ANY_STRING, IN2: S, P: ANY_INT): S
DELETE(IN: S ANY_STRING, L: ANY_INT, P: ANY_INT): S
REPLACE(IN1: S ANY_STRING, IN2: S, L: ANY_INT, P: ANY_INT): S
FIND(IN1: S ANY_STRING, IN2: S): INT
IS_VALID(IN: T ANY_REAL): BOOL
IS_VALID_BCD(IN: T ANY_BIT): BOOL
TO_BIG_ENDIAN(IN: T ANY_WHOLE): T
TO_LITTLE_ENDIAN(IN: T ANY_WHOLE): T
FROM_BIG_ENDIAN(IN: T ANY_WHOLE): T
FROM_LITTLE_ENDIAN(IN: T ANY_WHOLE): T
"""

OPERATORS = {
    "ADD": "+",
    "SUB": "-",
    "MUL": "*",
    "DIV": "/",
    "MOD": "MOD",
    "EXPT": "**",
    "AND": "AND",
    "OR": "OR",
    "XOR": "XOR",
    "GT": ">",
    "GE": ">=",
    "EQ": "=",
    "LE": "<=",
    "LT": "<",
    "NE": "<>",
}
"""Functions that are operators by another name; ADD, MUL, AND, OR, XOR and comparisons repeat."""

_TIMED = """
ADD_TIME      + TIME TIME    ADD_LTIME       + LTIME LTIME
ADD_TOD_TIME  + TOD TIME     ADD_LTOD_LTIME  + LTOD LTIME
ADD_DT_TIME   + DT TIME      ADD_LDT_LTIME   + LDT LTIME
SUB_TIME      - TIME TIME    SUB_LTIME       - LTIME LTIME
SUB_DATE_DATE - DATE DATE    SUB_LDATE_LDATE - LDATE LDATE
SUB_TOD_TIME  - TOD TIME     SUB_LTOD_LTIME  - LTOD LTIME
SUB_TOD_TOD   - TOD TOD      SUB_LTOD_LTOD   - LTOD LTOD
SUB_DT_TIME   - DT TIME      SUB_LDT_LTIME   - LDT LTIME
SUB_DT_DT     - DT DT        SUB_LDT_LDT     - LDT LDT
MUL_TIME      * TIME ANY     MUL_LTIME       * LTIME ANY
DIV_TIME      / TIME ANY     DIV_LTIME       / LTIME ANY
MULTIME       * TIME ANY     DIVTIME         / TIME ANY
"""
_WORDS = _TIMED.split()
TIMED: dict[str, tuple[str, str, str]] = {
    name: (operator, left, right)
    for name, operator, left, right in zip(*(_WORDS[i::4] for i in range(4)), strict=True)
}
"""Operators on durations and dates by their names (table 34): the operator, both types."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """`variable` is the letter that ties types together, or empty; `generic` names the family."""

    name: str
    variable: str
    generic: str


@dataclass(frozen=True, slots=True)
class Signature:
    """One standard function."""

    name: str
    parameters: tuple[Parameter, ...]
    result: str
    repeats: bool

    def parameter(self, position: int) -> Parameter | None:
        """The parameter at a position, counting repetitions of the last one."""
        if position < len(self.parameters):
            return self.parameters[position]
        return self.parameters[-1] if self.repeats else None

    def position(self, name: str) -> int | None:
        """Where a formal argument belongs; repeated ones are numbered on."""
        key = name.upper()
        for index, parameter in enumerate(self.parameters):
            if parameter.name == key:
                return index
        last = self.parameters[-1].name
        stem = last.rstrip("0123456789")
        if self.repeats and key.startswith(stem) and key[len(stem) :].isdigit():
            offset = int(key[len(stem) :]) - int(last[len(stem) :])
            return len(self.parameters) - 1 + offset
        return None


_ROW = re.compile(r"(\w+)\((.*)\): (\w+)")


def _read_table(text: str) -> dict[str, Signature]:
    signatures = {}
    for line in text.strip().splitlines():
        row = _ROW.fullmatch(line)
        assert row is not None
        parts = row[2].split(", ")
        generics: dict[str, str] = {}
        parameters = []
        for part in parts:
            if part == "...":
                continue
            name, _, type_text = part.partition(": ")
            words = type_text.split()
            if len(words) == 2:
                generics[words[0]] = words[1]
            variable = words[0] if words[0] in generics else ""
            parameters.append(Parameter(name, variable, generics.get(words[0], words[0])))
        signatures[row[1]] = Signature(row[1], tuple(parameters), row[3], parts[-1] == "...")
    return signatures


SIGNATURES = _read_table(_TABLE)


def formal(name: str, count: int, repeats: bool = False) -> Signature:
    """The parameters of a function that is an operator or conversion: IN, or IN1, IN2…"""
    names = ["IN"] if count == 1 else [f"IN{number}" for number in range(1, count + 1)]
    return Signature(name, tuple(Parameter(n, "", "ANY") for n in names), "", repeats)


def belongs(type_: Type, generic: str) -> bool:
    """True if a type is in a family of the standard's figure 5, or is the named type."""
    if generic == "ANY":
        return True
    if generic == "ANY_INT":
        return is_integer(type_)
    if generic == "ANY_REAL":
        return is_real(type_)
    if generic == "ANY_NUM":
        return is_numeric(type_)
    if generic == "ANY_BIT":
        return is_kind(type_, Kind.BITS, Kind.BOOL)
    if generic == "ANY_STRING":
        return is_string(type_)
    if generic == "ANY_WHOLE":
        return is_integer(type_) or is_kind(type_, Kind.BITS)
    if generic == "ANY_ELEMENTARY":
        return is_numeric(type_) or is_string(type_) or isinstance(type_, ElementaryType)
    return type_ == ELEMENTARY_TYPES[generic]


def elementary(name: str) -> ElementaryType | None:
    """The elementary type of a keyword, long forms included."""
    key = name.upper()
    return ELEMENTARY_TYPES.get(ALIASES.get(key, key))


def is_standard(name: str) -> bool:
    """True for the name of a standard function that is in a table here."""
    return name.upper() in SIGNATURES or name.upper() in OPERATORS or name.upper() in TIMED


def split_typed_name(name: str) -> tuple[str, ElementaryType] | None:
    """`SQRT_REAL` as (`SQRT`, REAL), if both halves exist."""
    stem, mark, suffix = name.upper().rpartition("_")
    type_ = elementary(suffix) if mark else None
    if type_ is None or (stem not in SIGNATURES and stem not in OPERATORS and stem != "NOT"):
        return None
    return stem, type_
