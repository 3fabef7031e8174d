"""Valves: flow coefficient, stroke, limit switches, back-flow."""

from __future__ import annotations

import math

import pytest

RIG = """
T_1: {{type: tank, diameter: 40 m, height: 8 m, initial_level: {level}}}
V_1: {{type: valve, from: T_1, to: H_1, kv: {kv}, stroke_time: 2 s, {more}}}
H_1: {{type: header}}
"""


@pytest.mark.parametrize(("kv", "bar", "flow_m3_h"), [(16, 0.5, 11.313708), (25, 0.3, 13.693064)])
def test_flow_coefficient(build, run, kv, bar, flow_m3_h):
    """Q = Kv * sqrt(dp / SG), IEC 60534-2-1: 16 m3/h at 0.5 bar is 11.313708 m3/h."""
    level = bar * 1e5 / (1000 * 9.80665)
    plant = build(RIG.format(level=f"{level!r} m", kv=f"{kv} m3/h", more="spring: opens"))
    run(plant, 0.02)
    assert plant.read("V_1.flow") * 3600 == pytest.approx(flow_m3_h, rel=1e-6)


@pytest.mark.parametrize("step", ["1 ms", "10 ms", "100 ms"])
def test_stroke(build, run, step):
    """The valve takes its stroke time either way, and the limit switches follow."""
    plant = build(RIG.format(level="2 m", kv="16 m3/h", more=""), step)
    switches = plant.reader(["V_1.closed", "V_1.opened"])
    assert switches() == (True, False)
    plant.write("V_1.open", True)
    run(plant, 1.0)
    assert plant.read("V_1.position") == pytest.approx(0.5)
    assert switches() == (False, False)
    run(plant, 0.9)
    assert switches() == (False, False)
    run(plant, 0.1)
    assert plant.read("V_1.position") == pytest.approx(1)
    assert switches() == (False, True)
    plant.write("V_1.open", False)
    run(plant, 2.1)
    assert plant.read("V_1.position") == 0
    assert plant.read("V_1.flow") == 0
    assert switches() == (True, False)


@pytest.mark.parametrize("step", ["1 ms", "70 ms", "100 ms"])
def test_volume_of_one_stroke(build, run, step):
    """Opening and closing at once passes the flow of one stroke time, whatever the step."""
    plant = build(RIG.format(level="2 m", kv="16 m3/h", more=""), step)
    plant.write("V_1.open", True)
    run(plant, 2.1)
    full = plant.read("V_1.flow")
    plant.write("V_1.open", False)
    run(plant, 2.1)
    assert full * 3600 == pytest.approx(16 * math.sqrt(2 * 0.0980665), rel=1e-4)
    assert plant.read("H_1.received") == pytest.approx(full * 2.1, rel=2e-4)


def test_a_spring_that_opens(build, run):
    """A valve with an opening spring is open without energy and closes with it."""
    plant = build(RIG.format(level="2 m", kv="16 m3/h", more="spring: opens"))
    assert plant.read("V_1.opened") is True
    plant.write("V_1.open", True)
    run(plant, 2)
    assert plant.read("V_1.closed") is True


def test_communicating_vessels_level_out(build, run):
    """Liquid runs either way between two vessels until their surfaces are level."""
    plant = build(
        """
        T_1: {type: tank, diameter: 1 m, height: 3 m, elevation: 0.5 m, initial_level: 0.2 m,
              contains: {salt: 0 kg/m3}}
        T_2: {type: tank, diameter: 0.5 m, height: 3 m, elevation: 0 m, initial_level: 2 m,
              contains: {salt: 30 kg/m3}}
        V_1: {type: valve, from: T_1, to: T_2, kv: 40 m3/h, spring: opens}
        """,
        "20 ms",
    )
    run(plant, 300)
    surface_1, surface_2 = plant.reader(["T_1.surface", "T_2.surface"])()
    assert surface_1 == pytest.approx(surface_2, abs=1e-5)
    # By hand: 4 * (x - 0.5) + x = 4 * 0.2 + 2 in units of the smaller area.
    assert surface_1 == pytest.approx((0.8 + 2 + 2) / 5, abs=1e-5)
    masses = plant.reader(["T_1.mass_1", "T_2.mass_1"])()
    assert masses[0] > 0
    assert sum(masses) == pytest.approx(30 * 2 * math.pi / 4 * 0.25, rel=1e-12)
