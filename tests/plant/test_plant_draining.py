"""Gravity discharge against Torricelli's law in closed form, and against an ODE solver."""

from __future__ import annotations

import math

import pytest
from scipy.integrate import solve_ivp

G = 9.80665
RIG = """
T_1: {type: tank, diameter: 2 m, height: 3 m, initial_level: 2 m}
V_1: {type: valve, from: T_1, to: D_1, bore: 50 mm, discharge_coefficient: 0.61,
      spring: opens, stroke_time: 1 s}
D_1: {type: header}
"""
# Closed form for a cylinder: sqrt(h) = sqrt(h0) - Cd * a / A * sqrt(g / 2) * t, with
# D = 2 m, d = 50 mm, Cd = 0.61, g = 9.80665 m/s2; agrees with solve_ivp at rtol 1e-10.
LEVELS_M = {300: 1.347800, 600: 0.823887, 900: 0.428261, 1200: 0.160922, 1500: 0.021870}
TIMES_S = {1.0: 490.6470, 0.5: 837.5868, 0.0: 1675.1735}


@pytest.mark.parametrize("step", ["10 ms", "100 ms"])
def test_levels_follow_torricellis_closed_form(build, run, step):
    """A cylinder drains through an orifice as Torricelli's law in closed form says."""
    plant = build(RIG, step)
    for seconds, level in LEVELS_M.items():
        run(plant, seconds - plant.now_ns / 1e9)
        assert plant.read("T_1.level") == pytest.approx(level, rel=1e-4, abs=2e-6)


def test_switches_locate_the_draining_times(build, run):
    """Level switches report when a draining level passes them, as the closed form says."""
    switches = "".join(
        f"L_{i}: {{type: level_switch, in: T_1, level: {level} m, contact: normally_open, "
        f"closes_on: rising}}\n"
        for i, level in enumerate(TIMES_S)
        if level
    )
    plant = build(RIG + switches, "50 ms")
    run(plant, 900)
    for i, (level, seconds) in enumerate(TIMES_S.items()):
        if level:
            assert plant.read(f"L_{i}.changed_at_s") == pytest.approx(seconds, abs=1e-3)


def test_a_tank_stops_at_empty(build, run):
    """A tank is empty at the time of the closed form, and holds nothing less than nothing."""
    plant = build(RIG, "50 ms")
    run(plant, 1674)
    assert plant.read("T_1.volume") > 0
    run(plant, 2)
    assert plant.read("T_1.volume") == 0
    run(plant, 10)
    assert plant.read("T_1.volume") == 0
    assert plant.read("V_1.flow") == 0
    assert plant.read("D_1.received") == pytest.approx(math.pi * 2, rel=1e-12)


def test_flow_at_two_metres(build):
    """The orifice passes 27.005521 m3/h at 2 m (Cd * a * sqrt(2 g h))."""
    plant = build(RIG, "1 ms")
    plant.step()
    assert plant.read("V_1.flow") * 3600 == pytest.approx(27.005521, rel=1e-6)


def test_steady_level(build, run, feed):
    """With 10 m3/h flowing in, the level settles where the orifice passes as much."""
    rig = (
        RIG
        + """
S_1: {type: supply}
F_1: {type: feed, from: S_1, to: T_1, rate: 10 m3/h}
"""
    )
    plant = build(rig, "100 ms", feed)
    run(plant, 12000)
    assert plant.read("T_1.level") == pytest.approx(0.274236, rel=4e-6)


def test_wide_tank_by_hand(build, run):
    """Radius 2.5 m, hole radius 10 mm, Cd 1, from 2 m: empty after 39 909.43 s with g = 9.81.

    The closed form T = A / a * sqrt(2 h / g); this plant has g = 9.80665, 0.017 % more time.
    """
    plant = build(
        """
        T_1: {type: tank, diameter: 5 m, height: 3 m, initial_level: 2 m}
        V_1: {type: valve, from: T_1, to: D_1, bore: 20 mm, discharge_coefficient: 1,
              spring: opens}
        D_1: {type: header}
        """,
        "100 ms",
    )
    expected_s = 39909.43
    own_s = expected_s * math.sqrt(9.81 / G)
    assert own_s == pytest.approx(expected_s, rel=1e-3)
    run(plant, own_s - 5)
    assert plant.read("T_1.volume") > 0
    run(plant, 10)
    assert plant.read("T_1.volume") == 0


def test_nine_feet_to_four_in_an_hour_is_empty_after_three(build, run):
    """A tank that falls from 9 to 4 ft in 1 h is empty after 3 h (calculus textbooks)."""
    coefficient = math.pi / 4 * 0.02**2 * math.sqrt(2 * G)
    area = 3600 * coefficient / 2 / (math.sqrt(9 * 0.3048) - math.sqrt(4 * 0.3048))
    plant = build(
        f"""
        T_1: {{type: tank, diameter: {math.sqrt(4 * area / math.pi)!r} m, height: 10 ft,
               initial_level: 9 ft}}
        V_1: {{type: valve, from: T_1, to: D_1, bore: 20 mm, discharge_coefficient: 1,
               spring: opens}}
        D_1: {{type: header}}
        """,
        "100 ms",
    )
    run(plant, 3600)
    assert plant.read("T_1.level") == pytest.approx(4 * 0.3048, rel=1e-6)
    run(plant, 7195)
    assert plant.read("T_1.volume") > 0
    run(plant, 10)
    assert plant.read("T_1.volume") == 0


@pytest.mark.parametrize("step", ["1 ms", "20 ms", "100 ms"])
def test_filling_and_draining_agree_with_an_ode_solver(build, run, feed, step):
    """Stroke, inflow and outflow together follow scipy's solve_ivp at rtol 1e-10."""
    rig = """
    T_1: {type: tank, diameter: 0.7 m, height: 3 m, initial_level: 1.3 m}
    V_1: {type: valve, from: T_1, to: D_1, kv: 9.1 m3/h, stroke_time: 4 s}
    D_1: {type: header, elevation: -0.4 m}
    S_1: {type: supply}
    F_1: {type: feed, from: S_1, to: T_1, rate: 1.7 L/s}
    """
    area = math.pi / 4 * 0.7**2
    coefficient = 9.1 / 3600 * math.sqrt(1000 * G / 1e5)

    def rise(t: float, y: list[float]) -> list[float]:
        return [(1.7e-3 - coefficient * min(t / 4, 1) * math.sqrt(y[0] + 0.4)) / area]

    oracle = solve_ivp(rise, (0, 60), [1.3], rtol=1e-10, atol=1e-12, max_step=0.5)
    plant = build(rig, step, feed)
    plant.write("V_1.open", True)
    run(plant, 60)
    assert plant.read("T_1.level") == pytest.approx(oracle.y[0, -1], rel=2e-6)
