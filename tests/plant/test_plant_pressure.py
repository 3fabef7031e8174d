"""Vents, densities and pressures against closed forms and an ODE solver."""

from __future__ import annotations

import math

import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from softctl.plant import Fault

G = 9.80665
ATMOSPHERE = 101_325
DENSITY = 998.2072
AREA = math.pi / 4
DRAINED = """
T_1: {{type: tank, diameter: 1 m, height: 2 m, initial_level: {level} m, {vent}}}
V_1: {{type: valve, from: T_1, to: H_1, kv: {kv} m3/h, spring: opens}}
H_1: {{type: header, elevation: -1 m}}
"""


def drained(vent, level="1.5", kv="6"):
    return DRAINED.format(vent=vent, level=level, kv=kv)


@pytest.mark.parametrize("step", ["5 ms", "20 ms", "100 ms"])
def test_a_shut_vent_stops_the_draining(build, run, step):
    """A shut tank drains until Boyle's vacuum holds the column of liquid."""
    plant = build(drained("vent: 0 m"), step)
    run(plant, 500)
    room = 2.04 - 1.5

    def surplus(level):
        vacuum = ATMOSPHERE * (1 - room / (2.04 - level))
        return DENSITY * G * (level + 1) - vacuum

    level = brentq(surplus, 0.5, 1.5, xtol=1e-14)
    assert 1.3 < level < 1.4
    assert plant.read("T_1.level") == pytest.approx(level, abs=2e-5)
    vacuum = plant.read("T_1.air_pressure")
    assert vacuum == pytest.approx(-DENSITY * G * (level + 1), rel=1e-4)
    assert plant.read("V_1.flow") * 3600 == pytest.approx(0, abs=0.3)


@pytest.mark.parametrize("step", ["10 ms", "100 ms"])
def test_a_shut_vent_stops_the_filling(build, run, step):
    """A pump fills a shut tank until the air cushion holds its shutoff head."""
    plant = build(
        """
        S_1: {type: supply, level: 1 m}
        T_1: {type: tank, diameter: 1 m, height: 2 m, initial_level: 0.5 m, vent: 0 m}
        P_1: {type: pump, from: S_1, to: T_1, shutoff_head: 12 m, rated_flow: 60 L/min,
              rated_head: 8 m, line_loss: 4 m, run: true}
        """,
        step,
    )
    run(plant, 900)

    def surplus(level):
        pressure = ATMOSPHERE * (1.54 / (2.04 - level) - 1)
        return 12 - (level - 1) - pressure / (DENSITY * G)

    level = brentq(surplus, 0.5, 2, xtol=1e-14)
    assert plant.read("T_1.level") == pytest.approx(level, abs=2e-5)
    assert plant.read("T_1.overflowed") == 0


@pytest.mark.parametrize("step", ["2 ms", "50 ms"])
def test_a_narrow_vent_slows_the_draining(build, run, step):
    """Liquid and air go by the ODEs of two orifices in series, as solve_ivp integrates them."""
    plant = build(drained("vent: 5 mm", kv="20"), step)
    orifice = 0.61 * AREA * 0.005**2 * math.sqrt(2 / 1.204)

    def rates(_, y):
        level, held = y
        pressure = held / (AREA * (2.04 - level)) - ATMOSPHERE
        head = level + 1 + pressure / (DENSITY * G)
        flow = 20 / 3600 * math.sqrt(max(head, 0) * 1000 * G / 1e5)
        air = ATMOSPHERE * orifice * math.copysign(math.sqrt(abs(pressure)), -pressure)
        return [-flow / AREA, air]

    start = [1.5, ATMOSPHERE * AREA * 0.54]
    solution = solve_ivp(rates, (0, 120), start, method="LSODA", rtol=1e-9, atol=1e-9)
    run(plant, 120)
    level, held = solution.y[:, -1]
    assert plant.read("T_1.level") == pytest.approx(level, abs=2e-4)
    pressure = held / (AREA * (2.04 - level)) - ATMOSPHERE
    assert plant.read("T_1.air_pressure") == pytest.approx(pressure, rel=2e-3)
    open_plant = build(drained("", kv="20"), step)
    run(open_plant, 120)
    assert open_plant.read("T_1.level") < level - 0.08


def test_a_wide_vent_is_an_open_top(build, run):
    """A vent as wide as the outlet makes no difference that shows."""
    levels = []
    for vent in ("", "vent: 80 mm"):
        plant = build(drained(vent), "20 ms")
        run(plant, 100)
        levels.append(plant.read("T_1.level"))
    assert levels[1] == pytest.approx(levels[0], rel=1e-5)


def test_a_blocked_vent_heals(build, run):
    """A blocked vent holds the liquid up; cleared, the tank drains on."""
    plant = build(drained("vent: 80 mm"))
    plant.inject(Fault("T_1", "blocked vent", at_ns=0, for_ns=600 * 10**9))
    run(plant, 500)
    level = plant.read("T_1.level")
    assert level > 1.3
    run(plant, 100)
    assert plant.read("T_1.level") == pytest.approx(level, abs=1e-4)
    run(plant, 100)
    assert plant.read("T_1.air_pressure") == pytest.approx(0, abs=200)
    assert plant.read("T_1.level") < level - 0.09


def test_air_is_conserved_and_mass_too(build, run):
    """Filling and emptying a shut tank again brings its air back to the atmosphere."""
    plant = build(
        """
        S_1: {type: supply}
        T_1: {type: tank, diameter: 1 m, height: 2 m, initial_level: 0.5 m, vent: 0 m}
        P_1: {type: dosing_pump, from: S_1, to: T_1, rated_flow: 1 L/s}
        P_2: {type: dosing_pump, from: T_1, to: S_1, rated_flow: 1 L/s}
        """
    )
    plant.write("P_1.run", True)
    run(plant, 300)
    plant.write("P_1.run", False)
    pressure = ATMOSPHERE * (1.54 * AREA / (1.54 * AREA - 0.3) - 1)
    assert plant.read("T_1.air_pressure") == pytest.approx(pressure, rel=1e-9)
    plant.write("P_2.run", True)
    run(plant, 300)
    assert plant.read("T_1.air_pressure") == pytest.approx(0, abs=1e-6)
    assert plant.read("T_1.level") == pytest.approx(0.5, rel=1e-12)


BRINE = """
T_1: {type: tank, diameter: 1 m, height: 3 m, initial_level: 2 m, well_mixed: true,
      elevation: 0.5 m, contains: {salt: 200 kg/m3}}
T_2: {type: tank, diameter: 0.5 m, height: 3 m, initial_level: 1 m, well_mixed: true,
      elevation: 0.5 m}
L_1: {type: line, from: T_1, to: T_2, length: 3 m, bore: 40 mm}
"""


def test_columns_of_two_densities_balance(build_dense, run):
    """Two vessels joined at their bottoms rest at equal pressures: rho_1 h_1 = rho_2 h_2."""
    plant = build_dense(BRINE)
    assert plant.read("T_1.mixture_density") == pytest.approx(DENSITY + 0.677 * 200)
    run(plant, 400)
    weights = [plant.read(f"T_{i}.level") * plant.read(f"T_{i}.mixture_density") for i in (1, 2)]
    assert weights[0] == pytest.approx(weights[1], rel=1e-5)
    assert plant.read("T_2.level") > plant.read("T_1.level") + 0.01
    assert 90 < plant.read("T_2.mean_1") < 110


def test_a_pump_lifts_any_liquid_as_high(build_dense, run):
    """The flow against a free end does not depend on the density, only on heads in m."""
    flows = []
    for salt in (0, 250):
        plant = build_dense(
            f"""
            S_1: {{type: supply, contains: {{salt: {salt} kg/m3}}}}
            H_1: {{type: header, elevation: 5 m}}
            P_1: {{type: pump, from: S_1, to: H_1, shutoff_head: 12 m, rated_flow: 60 L/min,
                  rated_head: 8 m, line_loss: 4 m, run: true}}
            """
        )
        run(plant, 3)
        flows.append(plant.read("P_1.flow"))
    assert flows[1] == flows[0] > 0


def test_brine_on_top_of_a_target_costs_more_head(build_dense, run):
    """Water into a tank of brine has to lift its column's weight: h * rho_2 / rho_1."""
    plant = build_dense(
        """
        S_1: {type: supply, level: 3 m}
        T_1: {type: tank, diameter: 20 m, height: 3 m, initial_level: 2 m,
              contains: {salt: 200 kg/m3}}
        V_1: {type: valve, from: S_1, to: T_1, kv: 1 m3/h, spring: opens}
        """
    )
    run(plant, 1)
    head = 3 - 2 * (DENSITY + 135.4) / DENSITY
    expected = math.sqrt(head * 1000 * G / 1e5)
    assert plant.read("V_1.flow") * 3600 == pytest.approx(expected, rel=1e-5)


def test_mains_pressure(build, run):
    """A supply under 3 bar drives what one 30.646 m higher does."""
    flows = []
    for supply in ("pressure: 3 bar", f"level: {3e5 / (DENSITY * G)!r} m"):
        plant = build(
            f"""
            S_1: {{type: supply, {supply}}}
            H_1: {{type: header}}
            L_1: {{type: line, from: S_1, to: H_1, length: 40 m, bore: 20 mm}}
            """
        )
        run(plant, 1)
        flows.append(plant.read("L_1.flow"))
    assert flows[0] == pytest.approx(flows[1], rel=1e-9)
    assert pytest.approx(30.646, abs=1e-3) == 3e5 / (DENSITY * G)


# Sodium chloride at 20 degrees Celsius, per cent by mass and kg/m3 (handbooks, from memory).
@pytest.mark.parametrize(("percent", "density"), [(0, 998.2), (5, 1034.0), (10, 1070.7)])
def test_density_of_a_salt_solution(build_dense, percent, density):
    """A linear rise of 0.677 meets sodium chloride's densities within 0.1 %."""
    salt = percent / 100 * density
    plant = build_dense(
        f"""
        T_1: {{type: tank, diameter: 1 m, height: 2 m, initial_level: 1 m,
              contains: {{salt: {salt} kg/m3}}}}
        W_1: {{type: weigh_cell, in: T_1, range: [0 kg, 2000 kg]}}
        """
    )
    assert plant.read("T_1.mixture_density") == pytest.approx(density, rel=1e-3)
    assert plant.read("W_1.signal") == pytest.approx(density * AREA, rel=1e-3)


def test_weigh_cell_follows_a_batch(build, run):
    """300 L of water are 299.46 kg, and the current tells it."""
    plant = build(
        """
        S_1: {type: supply}
        T_1: {type: tank, diameter: 1 m, height: 2 m}
        P_1: {type: dosing_pump, from: S_1, to: T_1, rated_flow: 3 L/s, run: true}
        W_1: {type: weigh_cell, in: T_1, range: [0 kg, 500 kg], lag: 0.3 s}
        """
    )
    run(plant, 100)
    plant.write("P_1.run", False)
    run(plant, 5)
    assert plant.read("W_1.signal") == pytest.approx(299.46216, rel=1e-7)
    assert plant.read("W_1.current") == pytest.approx(4 + 16 * 299.46216 / 500, rel=1e-7)


def test_pressure_transmitter(build, run):
    """10 m of water are 97 890.9 Pa; a tap above the liquid sees the air alone."""
    plant = build(
        """
        T_1: {type: tank, diameter: 1 m, height: 12 m, initial_level: 10 m, elevation: 2 m}
        PT_1: {type: pressure_transmitter, in: T_1, elevation: 2 m, range: [0 bar, 1.6 bar]}
        PT_2: {type: pressure_transmitter, in: T_1, elevation: 13 m, range: [0 bar, 1 bar]}
        """
    )
    plant.step()
    assert plant.read("PT_1.signal") == pytest.approx(DENSITY * G * 10, rel=1e-12)
    assert plant.read("PT_1.signal") == pytest.approx(97_890.9, abs=0.5)
    assert plant.read("PT_1.current") == pytest.approx(4 + 16 * 0.978909 / 1.6, rel=1e-5)
    assert plant.read("PT_2.signal") == 0


def test_pressure_transmitter_on_a_cushion_and_in_a_manifold(build_dense, run):
    """It adds the cushion to the column, and reads the head of a manifold."""
    plant = build_dense(
        """
        S_1: {type: supply, level: 8 m, contains: {salt: 0 kg/m3}}
        M_1: {type: manifold, content: 20 L, initial_surface: 6 m}
        H_1: {type: header}
        L_1: {type: line, from: S_1, to: M_1, length: 5 m, bore: 20 mm}
        L_2: {type: line, from: M_1, to: H_1, length: 5 m, bore: 20 mm}
        T_1: {type: tank, diameter: 1 m, height: 2 m, initial_level: 1 m, vent: 0 m,
              contains: {salt: 100 kg/m3}}
        P_1: {type: dosing_pump, from: S_1, to: T_1, rated_flow: 1 L/s, run: true}
        PT_1: {type: pressure_transmitter, in: T_1, range: [0 bar, 10 bar], lag: 0 s}
        PT_2: {type: pressure_transmitter, in: M_1, elevation: 1 m, range: [0 bar, 1 bar]}
        """
    )
    run(plant, 60)
    level, density, air = plant.reader(["T_1.level", "T_1.mixture_density", "T_1.air_pressure"])()
    assert air > 5000
    assert plant.read("PT_1.signal") == pytest.approx(air + density * G * level, rel=1e-4)
    surface = plant.read("M_1.surface")
    assert surface == pytest.approx(4, abs=0.01)
    assert plant.read("PT_2.signal") == pytest.approx(DENSITY * G * (surface - 1), rel=1e-5)


def test_what_is_not_there_costs_nothing(build):
    """Without a vent, a pressure or a rise of density no line of it is in the program."""
    assert "excess" not in build(drained("")).source
    assert "air_pressure" not in build(drained("")).source
    assert "air_pressure" in build(drained("vent: 20 mm")).source
