"""Conductivity transmitters and weigh cells against hand balances and handbook figures."""

from __future__ import annotations

import pytest

CONDUCTIVITY = """
T_1: {{type: tank, diameter: 1 m, height: 2 m, initial_level: 1 m, temperature: {degrees} degC,
      contains: {{salt: {salt} kg/m3, dye: {dye} kg/m3}}}}
CT_1: {{type: conductivity_transmitter, in: T_1, range: [0 S/m, {top} S/m], lag: 0 s, blank: 0 S/m,
       conducts: {{salt: {salt_conducts} S/m/(kg/m3), dye: 0.05 S/m/(kg/m3)}}, {more}}}
"""
# Molar conductivities at infinite dilution, 25 degrees Celsius, in S cm2/mol: Na+ 50.1,
# Cl- 76.3 (from memory of handbooks); NaCl has 58.44 g/mol.
SODIUM_CHLORIDE = (50.1 + 76.3) * 1e-4 / 0.05844


def conductivity(degrees=25, salt=0.0, dye=0.0, top="10", more=""):
    return CONDUCTIVITY.format(
        degrees=degrees, salt=salt, dye=dye, top=top, salt_conducts=SODIUM_CHLORIDE, more=more
    )


def test_ions_add_up(build):
    """Every species adds in proportion to its concentration (Kohlrausch)."""
    plant = build(conductivity(salt=2, dye=3))
    assert plant.read("CT_1.signal") == pytest.approx(2 * SODIUM_CHLORIDE + 0.15, rel=1e-12)
    assert plant.read("CT_1.current") == pytest.approx(4 + 1.6 * (2 * SODIUM_CHLORIDE + 0.15))


def test_a_dilute_salt_solution(build):
    """NaCl of 1 mmol/L has 123.7 uS/cm (handbook, from memory); ions apart give 126.4."""
    plant = build(conductivity(salt=0.05844, top="0.02"))
    assert plant.read("CT_1.signal") == pytest.approx(126.4e-4, rel=1e-9)
    assert plant.read("CT_1.signal") == pytest.approx(123.7e-4, rel=0.03)


@pytest.mark.parametrize(
    ("compensated", "factor"), [("true", 1.0), ("false", 1 + 0.02 * (60 - 25))]
)
def test_temperature_compensation(build, compensated, factor):
    """It rises by 2 % a kelvin, unless it is compensated to 25 degrees Celsius."""
    plant = build(conductivity(60, 2, more=f"compensated: {compensated}"))
    assert plant.read("CT_1.signal") == pytest.approx(2 * SODIUM_CHLORIDE * factor, rel=1e-12)


def test_without_temperatures_it_is_that_of_25_degrees(build):
    """Where nothing has a temperature, the one of 25 degrees Celsius counts."""
    text = conductivity(salt=2, more="compensated: false").replace("temperature: 25 degC,", "")
    plant = build(text.replace("blank: 0 S/m", "blank: 30 mS/m"))
    assert plant.read("CT_1.signal") == pytest.approx(0.03 + 2 * SODIUM_CHLORIDE, rel=1e-12)


def test_a_rinse_by_conductivity(build, run, feed):
    """A well-mixed tank that is rinsed passes an end point when EXP(-Q t / V) says."""
    plant = build(
        conductivity(salt=10)
        .replace("height: 2 m", "height: 1 m, well_mixed: true")
        .replace("temperature: 25 degC,", "")
        + """
S_1: {type: supply}
F_1: {type: feed, from: S_1, to: T_1, rate: 20 L/s}
""",
        blocks=feed,
    )
    end = 0.05 * plant.read("CT_1.signal")
    while plant.read("CT_1.signal") > end:
        plant.step()
    # ln 20 residence times of pi / 4 m3 at 20 L/s.
    assert plant.now_ns / 1e9 == pytest.approx(2.995732 * 0.785398 / 0.02, abs=0.03)
