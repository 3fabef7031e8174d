"""Quantities with units."""

from __future__ import annotations

import subprocess
import sys
from fractions import Fraction
from functools import cache

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from softctl.values import units
from softctl.values.units import convert, dimension_words, parse_duration, parse_quantity, to_si

# Exact by the definitions of the SI (SI brochure, 9th edition), of the litre, minute,
# hour, day, tonne and bar (its table 8 and NIST SP 811), and of the inch (25.4 mm), foot
# and US gallon (231 cubic inches).
EXACT = [
    ("40 L/min", "m3/s", Fraction(1, 1500)),
    ("1.37 m", "m", Fraction(137, 100)),
    ("14 mm", "m", Fraction(14, 1000)),
    ("1 inch", "m", Fraction(254, 10_000)),
    ("3 ft", "m", Fraction(9144, 10_000)),
    ("1 gal", "m3", Fraction(231 * 254**3, 10_000**3)),
    ("20.6 m3/h", "m3/s", Fraction(206, 36_000)),
    ("84 kg/m³", "kg/m3", Fraction(84)),
    ("1.2 g/cm3", "kg/m3", Fraction(1200)),
    ("190 rpm", "1/s", Fraction(190, 60)),
    ("1.4 bar", "Pa", Fraction(140_000)),
    ("21 degC", "K", Fraction(29_415, 100)),
    ("-40 °F", "K", Fraction(23_315, 100)),
    ("300 K", "K", Fraction(300)),
    ("1.1 mPa*s", "Pa*s", Fraction(11, 10_000)),
    ("2.3 mS/cm", "S/m", Fraction(23, 100)),
    ("4184 J/(kg*K)", "J/(kg*K)", Fraction(4184)),
    ("1.5 kW", "W", Fraction(1500)),
    ("2 t", "kg", Fraction(2000)),
    ("12.5 %", "", Fraction(1, 8)),
    ("0.62", "", Fraction(62, 100)),
    ("-3 m^2", "m2", Fraction(-3)),
    ("1e3 µs", "s", Fraction(1, 1000)),
]


@pytest.mark.parametrize(("text", "dimension_of", "exact"), EXACT)
def test_quantities(text: str, dimension_of: str, exact: Fraction) -> None:
    """A quantity becomes the double nearest to its exact SI value."""
    assert parse_quantity(text, dimension_of) == float(exact)


@pytest.mark.parametrize(
    ("text", "dimension_of", "message"),
    [
        ("3 s", "m", "expected a length such as '1.2 m', got '3 s'"),
        ("3", "m", "expected a length such as '1.2 m', got '3'"),
        ("3 m", "", "expected a plain number such as '0.62', got '3 m'"),
        ("abc", "m3/s", "expected a flow such as '42 L/min', got 'abc'"),
        ("", "s", "expected a time such as '90 s', got ''"),
        ("3 furlong", "m", "got '3 furlong': no unit 'furlong' is known"),
        ("1 m//", "m", "no unit 'm//' is known"),
        ("1 (", "m", "no unit '(' is known"),
        ("1 m/0", "m", "no unit 'm/0' is known"),
        ("1 m**99", "m", "no unit 'm**99' is known"),
        ("1e9999", "m", "expected a length"),
        ("1 m; 2 m", "m", "expected a length"),
        ("9" * 500 + " m", "m", "…'"),
        ("1 kg*m", "kg*m2", "expected a quantity in kg*m2 such as '1.5 kg*m2', got '1 kg*m'"),
    ],
)
def test_what_is_refused(text: str, dimension_of: str, message: str) -> None:
    """A wrong dimension, unit or number is refused with what was expected and what came."""
    with pytest.raises(ValueError, match=r"^expected") as caught:
        parse_quantity(text, dimension_of)
    assert message in str(caught.value)


def test_durations() -> None:
    """Durations are nanoseconds, and only times pass."""
    assert parse_duration("50 ms") == 50_000_000
    assert parse_duration("1.5 min") == 90_000_000_000
    assert parse_duration("0.1 s") == 100_000_000
    with pytest.raises(ValueError, match="expected a time such as '90 s', got '1 m'"):
        parse_duration("1 m")


def test_scales_and_conversion() -> None:
    """A unit's scale and offset lead to SI; a figure goes from one unit to another."""
    assert to_si("mm") == (0.001, 0.0)
    assert to_si("degC") == (1.0, 273.15)
    assert to_si("") == (1.0, 0.0)
    assert convert("1200 mm", "m") == 1.2
    assert convert("300 K", "degC") == float(Fraction("26.85"))
    with pytest.raises(ValueError, match="no unit 'blob' is known"):
        to_si("blob")
    with pytest.raises(ValueError, match=r"expected a length such as '1\.2 m', got '3 s'"):
        convert("3 s", "mm")


def test_words_of_a_dimension_come_from_any_unit_of_it() -> None:
    """Messages name a dimension whichever of its units is asked for."""
    assert dimension_words("L/h") == dimension_words("m3/s") == "a flow such as '42 L/min'"


@pytest.mark.parametrize("unit", units._COMMON)
def test_units_worked_out_in_advance(unit: str) -> None:
    """What is tabled for common units is exactly what pint works out from the definitions."""
    assert units._dimension(unit) == units.work_out_dimension(unit)
    assert units._scale(unit) == units.work_out_scale(unit)


COMPARED = "m mm L/min m**3/h bar kPa psi rpm kg/m**3 J/(kg*K) mS/cm ft gal inch hour day W/K mPa*s"


@cache
def their_registry() -> pint.UnitRegistry:
    return pint.UnitRegistry()


@pytest.mark.parametrize("unit", COMPARED.split())
def test_units_agree_with_pints_own_registry(unit: str) -> None:
    """Our definitions give what pint's full default registry gives."""
    quantity = their_registry().Quantity(1.0, unit)
    # Their revolution is 2 pi radians, ours is the 1 of rpm in mixing and pumping.
    is_turning = unit == "rpm"
    quantity = quantity.to("revolution/second") if is_turning else quantity.to_base_units()
    assert to_si(unit)[0] == pytest.approx(quantity.magnitude, rel=1e-12)


def test_definitions_are_clean(caplog: pytest.LogCaptureFixture) -> None:
    """pint finds nothing to warn of in our definitions, which would land on a user's screen."""
    units._registry.cache_clear()
    units._registry()
    assert not caplog.records


def test_a_common_unit_does_not_wake_pint() -> None:
    """Reading common units leaves pint alone, which is what keeps the start short."""
    code = (
        "import sys; from softctl.values.units import parse_quantity as p, convert;"
        "p('40 L/min', 'm3/s'); p('1.2 m', 'm'); p('90 s', 's'); convert('1 mm', 'm');"
        "sys.exit('pint' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@given(st.text(alphabet="0123456789.eE+-*/^() mskKgLhrp%°²³_C\"'#[]", max_size=30))
def test_no_text_breaks_the_reader(text: str) -> None:
    """Any text gives a number or a ValueError that says what was expected."""
    for dimension_of in ("m", "", "K"):
        try:
            assert isinstance(parse_quantity(text, dimension_of), float)
        except ValueError as error:
            assert str(error).startswith("expected ")  # noqa: PT017


@given(st.decimals(-1_000_000, 1_000_000, allow_nan=False, places=6))
def test_figures_are_exact(number: object) -> None:
    """A decimal figure becomes the double nearest to its exact SI value."""
    exact = Fraction(str(number)) / 60_000
    assert parse_quantity(f"{number} L/min", "m3/s") == float(exact)
