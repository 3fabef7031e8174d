"""How Python computes the standard functions: one expression template each.

`{0}` is the first argument; a function instead of a text gets the rendered arguments, the
result's type and a maker of fresh names. `ROUNDED` names those whose REAL result needs
rounding to 32 bits.
"""

from __future__ import annotations

from collections.abc import Callable

from softctl.logic.types import StringType, Type
from softctl.values.types import ElementaryType, Kind

Fresh = Callable[[], str]
Template = str | Callable[[list[str], Type, Fresh], str]


def _is_simple(text: str) -> bool:
    return text.replace(".", "").replace("_", "").replace("-", "").isalnum()


def _bound(text: str, fresh: Fresh) -> tuple[str, str]:
    """A name for a value that is used twice, and what gives it that name."""
    if _is_simple(text):
        return text, text
    name = fresh()
    return name, f"({name} := {text})"


def _extreme(sign: str, name: str) -> Template:
    def render(arguments: list[str], type_: Type, fresh: Fresh) -> str:
        if len(arguments) != 2:
            return f"{name}({', '.join(arguments)})"
        first, left = _bound(arguments[0], fresh)
        second, right = _bound(arguments[1], fresh)
        return f"({first} if {left} {sign} {right} else {second})"

    return render


def _limit(arguments: list[str], type_: Type, fresh: Fresh) -> str:
    low, value, high = arguments
    if not (_is_simple(low) and _is_simple(high)):
        first, raised = fresh(), fresh()
        least, bind_least = _bound(low, fresh)
        most, bind_most = _bound(high, fresh)
        at_least = f"{least} if ({first} := {value}) < {bind_least} else {first}"
        return f"({most} if ({raised} := ({at_least})) > {bind_most} else {raised})"
    value, bind = _bound(value, fresh)
    # MN > MX gives MX, as MIN(MAX(IN, MN), MX) does: the comparison with MX comes first.
    at_high = f"{bind} >= {high} or {low} >= {high}"
    return f"({high} if {at_high} else {low} if {value} < {low} else {value})"


def _square_root(arguments: list[str], type_: Type, fresh: Fresh) -> str:
    """The call that complains is only made where there is something to complain of."""
    value, bind = _bound(arguments[0], fresh)
    return f"(root({value}) if {bind} >= 0.0 else sqrt({value}))"


def _bits(type_: Type) -> int:
    assert isinstance(type_, ElementaryType)
    return type_.bits


def _moved(text: str, type_: Type) -> str:
    """The result of a shift, which a BOOL has too: a bit string of one bit."""
    return f"({text} != 0)" if _bits(type_) == 1 else text


def _rotate(sign: str) -> Template:
    def render(arguments: list[str], type_: Type, fresh: Fresh) -> str:
        return _moved(f"rotate({arguments[0]}, {sign}({arguments[1]}), {_bits(type_)})", type_)

    return render


def _swapped(arguments: list[str], type_: Type, fresh: Fresh) -> str:
    """The machine that runs this is taken to be little-endian."""
    assert isinstance(type_, ElementaryType)
    text = f"swap_bytes({arguments[0]}, {type_.bits})"
    return f"wrap_{type_.name}({text})" if type_.low < 0 else text


def _shift_left(arguments: list[str], type_: Type, fresh: Fresh) -> str:
    return _moved(f"shift_left({arguments[0]}, {arguments[1]}, {_bits(type_)})", type_)


def _shift_right(arguments: list[str], type_: Type, fresh: Fresh) -> str:
    return _moved(f"shift_right({arguments[0]}, {arguments[1]})", type_)


def _concat(arguments: list[str], type_: Type, fresh: Fresh) -> str:
    return f"({' + '.join(arguments)})"


TEMPLATES: dict[str, Template] = {
    "ABS": "abs({0})",
    "SQRT": _square_root,
    "LN": "log({0})",
    "LOG": "log10({0})",
    "EXP": "exp({0})",
    "SIN": "sin({0})",
    "COS": "cos({0})",
    "TAN": "tan({0})",
    "ASIN": "asin({0})",
    "ACOS": "acos({0})",
    "ATAN": "atan({0})",
    "ATAN2": "atan2({0}, {1})",
    "MOVE": "{0}",
    "SEL": "({2} if {0} else {1})",
    "MUX": lambda arguments, type_, fresh: f"choose({', '.join(arguments)})",
    "MIN": _extreme("<", "min"),
    "MAX": _extreme(">", "max"),
    "LIMIT": _limit,
    "SHL": _shift_left,
    "SHR": _shift_right,
    "ROL": _rotate(""),
    "ROR": _rotate("-"),
    "LEN": "len({0})",
    "LEFT": "text_left({0}, {1})",
    "RIGHT": "text_right({0}, {1})",
    "MID": "text_mid({0}, {1}, {2})",
    "CONCAT": _concat,
    "INSERT": "text_insert({0}, {1}, {2})",
    "DELETE": "text_delete({0}, {1}, {2})",
    "REPLACE": "text_replace({0}, {1}, {2}, {3})",
    "FIND": "({0}.find({1}) + 1)",
    "IS_VALID": "isfinite({0})",
    "IS_VALID_BCD": "is_bcd({0})",
    "TO_BIG_ENDIAN": _swapped,
    "FROM_BIG_ENDIAN": _swapped,
    "TO_LITTLE_ENDIAN": "{0}",
    "FROM_LITTLE_ENDIAN": "{0}",
}
ROUNDED = frozenset(
    ["SQRT", "LN", "LOG", "EXP", "SIN", "COS", "TAN", "ASIN", "ACOS", "ATAN", "ATAN2"]
)


def render_function(name: str, arguments: list[str], type_: Type, fresh: Fresh) -> str:
    """The Python expression of a standard function."""
    template = TEMPLATES[name]
    if isinstance(template, str):
        return template.format(*arguments)
    return template(arguments, type_, fresh)


CONVERSIONS: dict[str, str] = {
    "code": "ord({0})",
    "char": "{0}",
    "first": "first_character({0}, {limit})",
    "string": "{0}",
    "day": "({0} // 86400000000000 * 86400000000000)",
    "clock": "({0} % 86400000000000)",
    "from bcd": "from_bcd({0})",
    "text": "value_text({0}, {source!r})",
    "parse": "value_of({0}, {target!r})",
    "to bcd": "to_bcd({0}, {bits})",
}
"""The conversions that are no plain change of a number, by rule."""
_TRANSFERS = {
    ("REAL", "DWORD"): "bits_of_real({0})",
    ("DWORD", "REAL"): "real_of_bits({0})",
    ("LREAL", "LWORD"): "bits_of_lreal({0})",
    ("LWORD", "LREAL"): "lreal_of_bits({0})",
}


def _coded(text: str, source: Type, target: Type) -> str:
    """Between a character and its number; bits beyond the narrower type's width are lost."""
    assert isinstance(source, ElementaryType)
    assert isinstance(target, ElementaryType)
    if source.kind is not Kind.STRING:
        return f"chr({text} & {target.high})"
    if target.kind is Kind.STRING:
        return text if source.bits <= target.bits else f"chr(ord({text}) & {target.high})"
    if target.kind is Kind.BOOL:
        return f"({text} != '\\0')"
    number = f"ord({text}) & {source.high}"
    return f"({number})" if source.high <= target.high else f"wrap_{target.name}({number})"


def render_conversion(mode: str, text: str, source: Type, target: Type, fresh: Fresh) -> str:
    """The Python expression of a conversion by its rule."""
    if mode == "shorten":
        assert isinstance(target, StringType)
        name, length = fresh(), target.length
        return f"({name} if len({name} := {text}) <= {length} else text_too_long({name}, {length}))"
    if mode == "transfer":
        return _TRANSFERS[(source.name, target.name)].format(text)
    if mode == "code":
        return _coded(text, source, target)
    return CONVERSIONS[mode].format(
        text,
        source=source.name,
        target=target.name,
        bits=getattr(target, "bits", 0),
        limit=getattr(target, "high", 0),
    )
