"""Blending and mixing against the blend-time correlation and hand balances."""

from __future__ import annotations

import math

import pytest

# A drop of tracer on the still content, all of it in the upper half.
RIG = """
T_1: {{type: tank, diameter: 1.5 m, height: 3 m, initial_level: 1.5 m, still_blend_time: 1000 h}}
A_1: {{type: agitator, in: T_1, diameter: 0.5 m, speed: 120 rpm, power_number: {power_number},
      run_up: 0 s, run_down: 0 s}}
S_1: {{type: supply, contains: {{salt: 200 kg/m3}}}}
F_1: {{type: feed, from: S_1, to: T_1, rate: 0.001 L/s, salt: 200 kg/m3}}
"""
# Handbook of Industrial Mixing, theta95 = 5.2 T**1.5 H**0.5 / (Np**(1/3) N D**2), with
# T = H = 1.5 m, D = 0.5 m, 120 rpm, water at 20 degrees Celsius. The power numbers of a
# disc turbine, a pitched-blade turbine and a hydrofoil are from memory.
CASES = [(5.0, 1247.76, 13.684), (1.27, 316.93, 21.608), (0.35, 87.34, 33.204)]


def tracer_in(build, feed, run, power_number, step):
    plant = build(RIG.format(power_number=power_number), step, feed)
    run(plant, 0.1)
    plant.write("F_1.rate", 0.0)
    return plant


def time_to(plant, unevenness):
    """When the unevenness falls to a value, interpolated on its logarithm."""
    before = plant.read("T_1.unevenness")
    while plant.read("T_1.unevenness") > unevenness:
        before = plant.read("T_1.unevenness")
        plant.step()
    after = plant.read("T_1.unevenness")
    part = math.log(before / unevenness) / math.log(before / after)
    return (plant.now_ns + (part - 1) * plant.step_ns) / 1e9


@pytest.mark.parametrize(("power_number", "power_w", "theta95_s"), CASES)
@pytest.mark.parametrize("step", ["10 ms", "100 ms"])
def test_blend_times(build, run, feed, power_number, power_w, theta95_s, step):
    """Unevenness falls to 5 % in theta95 and to 1 % in 1.537244 of it."""
    plant = tracer_in(build, feed, run, power_number, step)
    assert plant.read("T_1.unevenness") == pytest.approx(1, abs=1e-6)
    plant.write("A_1.run", True)
    plant.step()
    start = (plant.now_ns - plant.step_ns) / 1e9
    assert plant.read("A_1.power") == pytest.approx(power_w, rel=1e-4)
    assert time_to(plant, 0.05) - start == pytest.approx(theta95_s, rel=1e-4)
    assert time_to(plant, 0.01) - start == pytest.approx(1.537244 * theta95_s, rel=1e-4)


def test_outlet_sees_the_blend(build, run, feed):
    """An outlet draws next to nothing of a tracer above it until the content is stirred."""
    plant = tracer_in(build, feed, run, 1.27, "10 ms")
    mean = plant.read("T_1.mean_1")
    assert plant.read("T_1.outlet_1") < 1e-4 * mean
    run(plant, 60)
    assert plant.read("T_1.outlet_1") < 1e-3 * mean
    plant.write("A_1.run", True)
    run(plant, 21.608)
    assert plant.read("T_1.outlet_1") == pytest.approx(0.95 * mean, rel=1e-3)
    run(plant, 120)
    assert plant.read("T_1.outlet_1") == pytest.approx(mean, rel=1e-6)


def test_an_agitator_in_the_air_blends_nothing(build, run, feed):
    """With the level below the impeller the agitator turns without blending or load."""
    text = RIG.format(power_number=1.27).replace("run_up: 0 s", "submergence: 1.6 m, run_up: 0 s")
    plant = build(text, "10 ms", feed)
    plant.write("A_1.run", True)
    run(plant, 60)
    assert plant.read("A_1.turning") == 1
    assert plant.read("A_1.running") is True
    assert plant.read("A_1.power") == 0
    assert plant.read("T_1.unevenness") > 0.99


def test_mixing_balance_by_hand(build, run, feed):
    """300 L at 20 kg/m3 and 200 L at 80 kg/m3 make 500 L at 44 kg/m3."""
    plant = build(
        """
        T_1: {type: tank, diameter: 1 m, height: 1 m, contains: {salt: 20 kg/m3},
              initial_level: 0.3819718634205488 m}
        S_1: {type: supply}
        F_1: {type: feed, from: S_1, to: T_1, rate: 2 L/s, salt: 80 kg/m3}
        """,
        blocks=feed,
    )
    run(plant, 100)
    assert plant.read("T_1.volume") == pytest.approx(0.5, rel=1e-12)
    assert plant.read("T_1.mean_1") == pytest.approx(44, rel=1e-12)


def test_washout_of_a_well_mixed_tank(build, run, feed):
    """A well-mixed tank of constant volume washes out as EXP(-Q t / V)."""
    plant = build(
        """
        T_1: {type: tank, diameter: 1 m, height: 1 m, initial_level: 1 m, well_mixed: true,
              contains: {salt: 50 kg/m3}}
        S_1: {type: supply}
        F_1: {type: feed, from: S_1, to: T_1, rate: 10 L/s}
        """,
        "10 ms",
        feed,
    )
    run(plant, 100)
    volume = math.pi / 4
    assert plant.read("T_1.mean_1") == pytest.approx(50 * math.exp(-1 / volume), rel=1e-4)
    gone = plant.read("T_1.overflowed_1")
    assert gone + plant.read("T_1.mass_1") == pytest.approx(50 * volume, rel=1e-12)


def test_overflow_takes_the_upper_half(build, run, feed):
    """What flows in on top of an unstirred full tank leaves by the overflow first."""
    plant = build(
        """
        T_1: {type: tank, diameter: 1 m, height: 1 m, initial_level: 1 m,
              still_blend_time: 1000 h}
        S_1: {type: supply}
        F_1: {type: feed, from: S_1, to: T_1, rate: 10 L/s, salt: 90 kg/m3}
        """,
        blocks=feed,
    )
    run(plant, 10)
    assert plant.read("T_1.level") == 1
    assert plant.read("T_1.overflowed") == pytest.approx(0.1, rel=1e-12)
    assert plant.read("T_1.outlet_1") < 1e-3
    upper, mean = 2 * plant.read("T_1.mean_1"), plant.read("T_1.mean_1")
    assert upper == pytest.approx(90 * (1 - math.exp(-0.1 / (math.pi / 8))), rel=1e-3)
    fed, gone = 90 * 0.1, plant.read("T_1.overflowed_1")
    assert mean * math.pi / 4 + gone == pytest.approx(fed, rel=1e-12)


def test_what_runs_back_leaves_from_below(build, run):
    """Brine in by one inlet and as much back out by another: no brine gets stronger by that."""
    plant = build(
        """
        S_1: {type: supply, level: 5 m, contains: {salt: 200 kg/m3}}
        T_1: {type: tank, diameter: 0.5 m, height: 2 m, elevation: 2 m, initial_level: 1 m,
              still_blend_time: 1000 h}
        T_2: {type: tank, diameter: 4 m, height: 3 m}
        P_1: {type: dosing_pump, from: S_1, to: T_1, rated_flow: 2 L/s, run: true}
        L_1: {type: line, from: T_2, to: T_1, length: 3 m, bore: 22 mm}
        """
    )
    for _ in range(30):
        run(plant, 20)
        assert plant.read("T_1.mean_1") <= 200 * (1 + 1e-9)
    assert plant.read("L_1.total") < -0.9
    assert plant.read("T_1.outlet_1") > 190
    masses = plant.reader(["T_1.mass_1", "T_2.mass_1", "T_1.overflowed_1"])()
    assert sum(masses) == pytest.approx(plant.read("S_1.delivered_1"), rel=1e-11)
