"""Quantities with units, read into SI floats.

pint does the arithmetic on a registry of our own: it holds the units of this trade, and
starts in milliseconds where the full default registry takes 0.4 s. Importing pint alone
takes 0.1 s, so the units that nearly every machine uses are worked out in advance
(`tests/values` holds each against pint), and pint is imported for the first other one.
Figures are exact fractions until the end: `40 L/min` is the double nearest to 1/1500 m³/s.
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Final, cast

if TYPE_CHECKING:
    from pint import UnitRegistry
    from pint.util import UnitsContainer

Dimension = tuple[Fraction | int, ...]
"""Powers of length, time, mass, temperature, current and amount of substance."""

_BASES: Final = (
    "[length]",
    "[time]",
    "[mass]",
    "[temperature]",
    "[current]",
    "[substance]",
)
_COMMON_DIMENSIONS: Final[dict[str, Dimension]] = {
    "": (0, 0, 0, 0, 0, 0),
    "m": (1, 0, 0, 0, 0, 0),
    "m3": (3, 0, 0, 0, 0, 0),
    "m3/s": (3, -1, 0, 0, 0, 0),
    "m/s": (1, -1, 0, 0, 0, 0),
    "s": (0, 1, 0, 0, 0, 0),
    "1/s": (0, -1, 0, 0, 0, 0),
    "kg": (0, 0, 1, 0, 0, 0),
    "kg/m3": (-3, 0, 1, 0, 0, 0),
    "K": (0, 0, 0, 1, 0, 0),
    "Pa": (-1, -2, 1, 0, 0, 0),
    "W": (2, -3, 1, 0, 0, 0),
    "A": (0, 0, 0, 0, 1, 0),
    "m2": (2, 0, 0, 0, 0, 0),
    "kg/s": (0, -1, 1, 0, 0, 0),
    "N": (1, -2, 1, 0, 0, 0),
    "Pa*s": (-1, -1, 1, 0, 0, 0),
    "W/K": (2, -3, 1, -1, 0, 0),
    "J/(kg*K)": (2, -2, 0, -1, 0, 0),
    "V": (2, -3, 1, 0, -1, 0),
    "ohm": (2, -3, 1, 0, -2, 0),
    "S/m": (-3, 3, -1, 0, 2, 0),
    "S/m/(kg/m3)": (0, 3, -2, 0, 2, 0),
}
_COMMON: Final[dict[str, tuple[str, str, str]]] = {
    **{unit: (unit, "1", "0") for unit in _COMMON_DIMENSIONS},
    "1": ("", "1", "0"),
    "%": ("", "1/100", "0"),
    "mm": ("m", "1/1000", "0"),
    "cm": ("m", "1/100", "0"),
    "L": ("m3", "1/1000", "0"),
    "L/s": ("m3/s", "1/1000", "0"),
    "L/min": ("m3/s", "1/60000", "0"),
    "L/h": ("m3/s", "1/3600000", "0"),
    "m3/h": ("m3/s", "1/3600", "0"),
    "mm/s": ("m/s", "1/1000", "0"),
    "us": ("s", "1/1000000", "0"),
    "ms": ("s", "1/1000", "0"),
    "min": ("s", "60", "0"),
    "h": ("s", "3600", "0"),
    "rpm": ("1/s", "1/60", "0"),
    "Hz": ("1/s", "1", "0"),
    "g": ("kg", "1/1000", "0"),
    "degC": ("K", "1", "5463/20"),
    "kPa": ("Pa", "1000", "0"),
    "mbar": ("Pa", "100", "0"),
    "bar": ("Pa", "100000", "0"),
    "kW": ("W", "1000", "0"),
    "mA": ("A", "1/1000", "0"),
    "cm2": ("m2", "1/10000", "0"),
    "mPa*s": ("Pa*s", "1/1000", "0"),
    "mS/cm": ("S/m", "1/10", "0"),
    "mS/cm/(kg/m3)": ("S/m/(kg/m3)", "1/10", "0"),
}
"""SI unit of the same dimension, scale and offset to it."""

_DEFINITIONS: Final = """
nano- = 1e-9 = n-
micro- = 1e-6 = µ- = μ- = u-
milli- = 1e-3 = m-
centi- = 1e-2 = c-
kilo- = 1e3 = k-
mega- = 1e6 = M-
meter = [length] = m = metre
second = [time] = s
kilogram = [mass] = kg
kelvin = [temperature]; offset: 0 = K
ampere = [current] = A
mole = [substance] = mol
inch = 0.0254 * meter
foot = 0.3048 * meter = ft
minute = 60 * second = min
hour = 3600 * second = h
day = 86400 * second = d
gram = 1e-3 * kilogram = g
tonne = 1000 * kilogram = t
liter = 1e-3 * meter ** 3 = L = l = litre
gallon = 3.785411784e-3 * meter ** 3 = gal
degree_Celsius = kelvin; offset: 273.15 = degC
degree_Fahrenheit = 5 / 9 * kelvin; offset: 233.15 + 200 / 9 = degF
newton = kilogram * meter / second ** 2 = N
pascal = newton / meter ** 2 = Pa
bar = 1e5 * pascal
psi = 6894.757293168361 * pascal
joule = newton * meter = J
watt = joule / second = W
volt = watt / ampere = V
ohm = volt / ampere = Ω
siemens = 1 / ohm = S
hertz = 1 / second = Hz
rpm = 1 / minute
percent = 0.01
degree = 0.017453292519943295 = deg
"""

_WORDS: Final = {
    "": ("a plain number", "0.62"),
    "m": ("a length", "1.2 m"),
    "m2": ("an area", "2.1 cm2"),
    "m3": ("a volume", "350 L"),
    "m3/s": ("a flow", "42 L/min"),
    "m/s": ("a speed", "0.8 m/s"),
    "s": ("a time", "90 s"),
    "1/s": ("a speed or rate", "190 rpm"),
    "kg": ("a mass", "12 kg"),
    "kg/s": ("a mass flow", "3 kg/min"),
    "kg/m3": ("a density or concentration", "84 kg/m3"),
    "K": ("a temperature", "21 degC"),
    "Pa": ("a pressure", "1.4 bar"),
    "Pa*s": ("a viscosity", "1.1 mPa*s"),
    "W": ("a power", "1.5 kW"),
    "W/K": ("a heat loss", "14 W/K"),
    "J/(kg*K)": ("a heat capacity", "4184 J/(kg*K)"),
    "A": ("a current", "4 mA"),
    "V": ("a voltage", "24 V"),
    "ohm": ("a resistance", "138.5 ohm"),
    "S/m": ("a conductivity", "2.3 mS/cm"),
    "N": ("a force", "40 N"),
}

_NUMBER: Final = re.compile(r"[+-]?(?:\d[\d_]*\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_POWER: Final = re.compile(r"(?<=[A-Za-zµμΩ])(-?\d)(?!\d)")
_UNIT_CHARACTERS: Final = re.compile(r"[A-Za-z_µμΩ°%0-9*/^²³() -]*")
_SIGNS: Final = {"%": "percent", "²": "2", "³": "3", "°": "deg", "^": "", "**": ""}
_LONGEST: Final = 60


def parse_quantity(text: str, dimension_of: str) -> float:
    """The SI value of a text such as `40 L/min`.

    `dimension_of` is a unit that says the dimension wanted, such as `m3/s`; empty wants a
    plain number (or per cent). A temperature in degC is absolute. `rpm` counts revolutions, not
    radians. Raises ValueError with what was expected and what came.
    """
    number, unit = _split(text, dimension_of)
    if _unit(unit, text, dimension_of) != _unit(dimension_of, dimension_of, dimension_of):
        raise ValueError(_complaint(text, dimension_of))
    scale, offset = _scale(unit)
    return float(number * scale + offset)


def parse_duration(text: str) -> int:
    """The nanoseconds of a text such as `90 s`, rounded to the nearest.

    Raises ValueError with what was expected and what came.
    """
    number, unit = _split(text, "s")
    if _unit(unit, text, "s") != _unit("s", "s", "s"):
        raise ValueError(_complaint(text, "s"))
    return round(number * _scale(unit)[0] * 1_000_000_000)


def to_si(unit: str) -> tuple[float, float]:
    """`(scale, offset)` of a unit: SI = value * scale + offset.

    An empty unit is a plain number. Raises ValueError for an unknown unit.
    """
    _unit(unit, unit, None)
    scale, offset = _scale(unit)
    return float(scale), float(offset)


def convert(text: str, unit: str) -> float:
    """The figure that a text such as `1.2 m` has in `unit`.

    Raises ValueError for an unknown unit or one of another dimension.
    """
    number, own = _split(text, unit)
    if _unit(own, text, unit) != _unit(unit, unit, None):
        raise ValueError(_complaint(text, unit))
    (scale, offset), (to_scale, to_offset) = _scale(own), _scale(unit)
    return float((number * scale + offset - to_offset) / to_scale)


def dimension_words(dimension_of: str) -> str:
    """What a quantity of the dimension is called in messages: `a length such as '1.2 m'`."""
    if dimension_of in _WORDS:
        noun, example = _WORDS[dimension_of]
    else:
        same = (words for unit, words in _WORDS.items() if unit and _same(unit, dimension_of))
        noun, example = next(same, (f"a quantity in {dimension_of}", f"1.5 {dimension_of}"))
    return f"{noun} such as '{example}'"


def _same(unit: str, other: str) -> bool:
    return _unit(unit, unit, None) == _unit(other, other, None)


def _split(text: str, dimension_of: str) -> tuple[Fraction, str]:
    """The number and the unit of a quantity."""
    text = text.strip()
    match = _NUMBER.match(text)
    if match is None or len(text) > _LONGEST:
        raise ValueError(_complaint(text, dimension_of))
    try:
        number = Fraction(match[0])
        float(number)
    except (ValueError, OverflowError):
        raise ValueError(_complaint(text, dimension_of)) from None
    return number, text[match.end() :].strip()


def _complaint(text: str, dimension_of: str) -> str:
    shown = text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"
    return f"expected {dimension_words(dimension_of)}, got '{shown}'"


def _unit(unit: str, text: str, dimension_of: str | None) -> Dimension:
    """The dimension of a unit; an unknown one is a ValueError about `text`."""
    try:
        return _dimension(unit)
    except _UnknownUnitError:
        known = "a known unit" if dimension_of is None else dimension_words(dimension_of)
        raise ValueError(f"expected {known}, got '{text}': no unit '{unit}' is known") from None


class _UnknownUnitError(Exception):
    pass


@cache
def _dimension(unit: str) -> Dimension:
    common = _COMMON.get(unit)
    return work_out_dimension(unit) if common is None else _COMMON_DIMENSIONS[common[0]]


def work_out_dimension(unit: str) -> Dimension:
    """The dimension of a unit by pint."""
    powers = _registry().get_dimensionality(_parse(unit))
    return tuple(cast(Fraction, powers.get(base, 0)) for base in _BASES)


@cache
def _scale(unit: str) -> tuple[Fraction, Fraction]:
    """Exact scale and offset to SI of a known unit."""
    common = _COMMON.get(unit)
    return work_out_scale(unit) if common is None else (Fraction(common[1]), Fraction(common[2]))


def work_out_scale(unit: str) -> tuple[Fraction, Fraction]:
    """Exact scale and offset to SI of a unit by pint."""
    registry, units = _registry(), _parse(unit)
    zero, one = (
        registry.Quantity(Fraction(value), units).to_root_units().magnitude for value in (0, 1)
    )
    return one - zero, zero


@cache
def _parse(unit: str) -> UnitsContainer:
    """pint's form of a unit written in the trade's way: `m3/h`, `kg/m³`, `%`."""
    if not _UNIT_CHARACTERS.fullmatch(unit) or len(unit) > _LONGEST:
        raise _UnknownUnitError
    text = unit
    for sign, name in _SIGNS.items():
        text = text.replace(sign, name)
    text = _POWER.sub(r"**\1", text)
    if text.strip() == "1":
        text = ""
    try:
        return _registry().parse_units(text)._units
    except Exception:
        # pint meets odd text with errors of many kinds: its own, tokenizer's, arithmetic's.
        raise _UnknownUnitError from None


@cache
def _registry() -> UnitRegistry[Fraction]:
    from pint import UnitRegistry

    return UnitRegistry(
        _DEFINITIONS.splitlines(),
        non_int_type=Fraction,
        cache_folder=None,
        autoconvert_offset_to_baseunit=True,
    )
