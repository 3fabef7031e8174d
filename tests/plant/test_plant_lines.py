"""Lines of pipe, pump and valve in series, against published figures and fluids."""

from __future__ import annotations

import math

import pytest
from fluids import friction_factor
from scipy.optimize import brentq

G = 9.80665
PUMPED = """
S_1: {{type: supply, level: 0 m, volume: {volume}}}
T_1: {{type: tank, diameter: 50 m, height: 5 m, elevation: 10 m, initial_level: {level}}}
M_1: {{type: motor, run_up: {ramp}, run_down: {ramp}, contact_time: 0 s}}
P_1: {{type: inline_pump, line: L_1, motor: M_1, shutoff_head: 40 m, rated_flow: 50 m3/h,
      rated_head: 30 m}}
L_1: {{type: line, from: S_1, to: T_1, length: 180 m, bore: 102 mm, roughness: 45 um,
      fittings: 6.5, {more}}}
"""


def pumped(more="check_valve: true", ramp="0.8 s", level="0 m", volume="1000 m3"):
    return PUMPED.format(more=more, ramp=ramp, level=level, volume=volume)


def loss(flow, length=180, bore=0.102, roughness=45e-6, fittings=6.5):
    """Darcy and Weisbach with the friction factor of fluids (Colebrook and White), m."""
    speed = flow / (math.pi / 4 * bore**2)
    factor = friction_factor(Re=speed * bore / 1.0034e-6, eD=roughness / bore)
    return (factor * length / bore + fittings) * speed**2 / (2 * G)


def test_friction_of_a_pipe(build, run):
    """DN50 (52.5 mm), 100 m, 10 m3/h of water: Re 67 139, f 0.0226958, 35 526.7 Pa (fluids)."""
    head = 35526.7 / (998.2072 * G)
    plant = build(
        f"""
        S_1: {{type: supply, level: {head!r} m}}
        H_1: {{type: header}}
        L_1: {{type: line, from: S_1, to: H_1, length: 100 m, bore: 52.5 mm, roughness: 45 um,
               viscosity: 1.00340e-6 m2/s}}
        """
    )
    run(plant, 0.1)
    assert plant.read("L_1.flow") * 3600 == pytest.approx(10, rel=1e-5)
    assert plant.read("L_1.friction_factor") == pytest.approx(0.0226958, rel=2e-5)


def test_laminar_flow(build, run):
    """A viscous liquid follows Hagen and Poiseuille: Q = pi g h d**4 / (128 nu L)."""
    plant = build(
        """
        S_1: {type: supply, level: 2 m}
        H_1: {type: header}
        L_1: {type: line, from: S_1, to: H_1, length: 30 m, bore: 40 mm, viscosity: 5e-4 m2/s}
        """
    )
    run(plant, 0.1)
    expected = math.pi * G * 2 * 0.04**4 / (128 * 5e-4 * 30)
    assert plant.read("L_1.flow") == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("speed", [1.0, 0.9, 0.7])
def test_operating_point(build, run, speed):
    """The flow is where scipy's brentq finds pump and system in balance."""
    plant = build(pumped())
    plant.write("M_1.speed_reference", speed)
    plant.write("M_1.run", True)
    run(plant, 2)
    expected = brentq(
        lambda q: speed**2 * 40 - 0.004 * (3600 * q) ** 2 - 10 - loss(q), 1e-6, 0.1, xtol=1e-15
    )
    assert plant.read("L_1.flow") == pytest.approx(expected, rel=2e-6)
    head = plant.read("P_1.head")
    assert head == pytest.approx(10 + loss(expected), rel=1e-5)


def test_no_flow_below_the_static_head(build, run):
    """At half speed and below the pump does not reach the tank, and nothing runs back."""
    plant = build(pumped())
    plant.write("M_1.speed_reference", 0.5)
    plant.write("M_1.run", True)
    run(plant, 5)
    assert plant.read("L_1.flow") == 0
    assert plant.read("T_1.volume") == 0


def test_back_flow_where_nothing_prevents_it(build, run):
    """Without a check valve a filled tank runs back through the resting pump."""
    plant = build(pumped(more="check_valve: false", level="1 m"))
    run(plant, 1)
    head = plant.read("T_1.surface")
    expected = brentq(lambda q: head - 0.004 * (3600 * q) ** 2 - loss(q), 1e-6, 0.1, xtol=1e-15)
    assert plant.read("L_1.flow") == pytest.approx(-expected, rel=1e-5)
    held = plant.read("T_1.volume") - plant.read("S_1.delivered")
    run(plant, 20)
    assert plant.read("T_1.volume") - plant.read("S_1.delivered") == pytest.approx(held, rel=1e-12)
    assert build(pumped(more="check_valve: true", level="1 m")).read("L_1.flow") == 0


def test_back_flow_needs_liquid_over_the_pipes_end(build, run):
    """A pipe that ends above the liquid draws air: nothing runs back."""
    plant = build(pumped(more="outlet_elevation: 14 m", level="1 m"))
    run(plant, 5)
    assert plant.read("L_1.flow") == 0


def test_dry_running(build, run):
    """A pump on an empty supply moves what there is, and turns dry."""
    plant = build(pumped(volume="60 L"))
    plant.write("M_1.run", True)
    run(plant, 30)
    assert plant.read("L_1.total") == pytest.approx(0.06, rel=1e-12)
    assert plant.read("L_1.dry") is True


VALVED = """
S_1: {{type: supply, level: 10 m}}
H_1: {{type: header}}
V_1: {{type: inline_valve, line: L_1, kv: 16 m3/h, characteristic: {characteristic},
      stroke_time: 0 s, {more}}}
L_1: {{type: line, from: S_1, to: H_1, length: 10 mm, bore: {bore}, fittings: {fittings}}}
"""


# Inherent characteristics with a rangeability of 50 at 0, 25, 50, 75, 100 % (IEC 60534-2-4).
@pytest.mark.parametrize(
    ("characteristic", "shares"),
    [
        ("linear", [0, 0.25, 0.5, 0.75, 1]),
        ("equal_percentage", [0.02, 0.053183, 0.141421, 0.376060, 1]),
        ("quick_opening", [0, 0.5, 0.707107, 0.866025, 1]),
    ],
)
def test_inherent_characteristics(build, run, characteristic, shares):
    """At a constant pressure the flow follows the characteristic, Q = Kv * sqrt(dp / SG)."""
    plant = build(VALVED.format(characteristic=characteristic, fittings=0, bore="400 mm", more=""))
    full = 16 * math.sqrt(10 * 1000 * G / 1e5)
    for opening, share in zip([1e-9, 0.25, 0.5, 0.75, 1], shares, strict=True):
        plant.write("V_1.opening", opening)
        run(plant, 0.1)
        assert plant.read("L_1.flow") * 3600 == pytest.approx(share * full, rel=1e-4, abs=2e-3)
    plant.write("V_1.opening", 0.0)
    run(plant, 0.1)
    assert plant.read("L_1.flow") == 0


@pytest.mark.parametrize(
    ("characteristic", "share"), [("linear", 0.725476), ("equal_percentage", 0.252377)]
)
def test_installed_characteristics(build, run, characteristic, share):
    """With an authority of 0.3, at 50 %: linear 0.725476, equal percentage 0.252377."""
    valve = (3600 / 16 / math.sqrt(1000 * G / 1e5)) ** 2
    fittings = valve * (0.7 / 0.3) * G * math.pi**2 * 0.1**4 / 8
    rig = VALVED.format(characteristic=characteristic, fittings=fittings, bore="100 mm", more="")
    plant = build(rig)
    plant.write("V_1.opening", 1.0)
    run(plant, 0.1)
    full = plant.read("L_1.flow")
    plant.write("V_1.opening", 0.5)
    run(plant, 0.1)
    assert plant.read("L_1.flow") / full == pytest.approx(share, rel=2e-5)


@pytest.mark.parametrize(("fails", "position"), [("closed", 0.0), ("open", 1.0), ("stays", 0.4)])
def test_fail_positions(build, run, fails, position):
    """Without energy a valve goes where it fails."""
    more = f"fails: {fails}"
    rig = VALVED.format(characteristic="linear", fittings=0, bore="400 mm", more=more)
    plant = build(rig)
    plant.write("V_1.opening", 0.4)
    run(plant, 0.1)
    plant.write("V_1.powered", False)
    run(plant, 0.1)
    assert plant.read("V_1.position") == position


def test_ramps_agree_between_steps(build, run):
    """Starting and stopping moves the same volume at 1 and 50 ms, to 0.1 %."""
    totals = []
    for step in ("1 ms", "50 ms"):
        plant = build(pumped(), step)
        plant.write("M_1.run", True)
        run(plant, 3)
        plant.write("M_1.run", False)
        run(plant, 2)
        totals.append(plant.read("L_1.total"))
    assert totals[1] == pytest.approx(totals[0], rel=1e-3)


def test_dosing_pump(build, run):
    """A dosing pump gives its flow against any head below its relief, and counts pulses."""
    plant = build(
        """
        S_1: {type: supply, volume: 1 L}
        T_1: {type: tank, diameter: 1 m, height: 2 m, elevation: 60 m}
        D_1: {type: dosing_pump, from: S_1, to: T_1, rated_flow: 12 L/h, stroke: 0.5,
              pulse_volume: 0.1 mL, run: true}
        """.replace("0.1 mL", "1e-7 m3"),
        "50 ms",
    )
    pulses = 0
    for _ in range(1200):
        plant.step()
        pulses += plant.read("D_1.pulse")
    assert plant.read("D_1.total") == pytest.approx(6e-3 / 60, rel=1e-12)
    assert abs(pulses - 1000) <= 1
    plant.write("D_1.relief_head", 50.0)
    run(plant, 1)
    assert plant.read("D_1.flow") == 0
