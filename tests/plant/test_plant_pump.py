"""Pumps against the intersection of curves, the affinity laws and numerical integration."""

from __future__ import annotations

import math

import pytest
from scipy.integrate import quad

# H = 40 - 0.004 Q**2 against 10 + 0.008 Q**2, Q in m3/h: textbook intersection 50 m3/h, 30 m.
RIG = """
S_1: {{type: supply, level: 0 m, volume: {volume}}}
T_1: {{type: tank, diameter: 50 m, height: 5 m, elevation: 10 m}}
P_1: {{type: pump, from: S_1, to: T_1, shutoff_head: 40 m, rated_flow: 50 m3/h,
      rated_head: 30 m, line_loss: 20 m, run_up: {ramp}, run_down: {ramp}, {more}}}
"""


def rig(volume="1000 m3", ramp="0 s", more="contact_time: 30 ms"):
    return RIG.format(volume=volume, ramp=ramp, more=more)


@pytest.mark.parametrize(
    ("speed", "flow_m3_h"),
    [(1.0, 50.0), (0.9, 43.204938), (0.5001, 0.577379), (0.5, 0.0), (0.3, 0.0)],
)
def test_operating_point(build, run, speed, flow_m3_h):
    """The flow is where the pump's curve, by the affinity laws, meets the system's."""
    plant = build(rig(more=f"speed_reference: {speed}"))
    plant.write("P_1.run", True)
    run(plant, 0.1)
    flow = plant.read("P_1.flow") * 3600
    assert flow == pytest.approx(flow_m3_h, rel=1e-6, abs=1e-12)
    head = speed**2 * 40 - 0.004 * flow**2
    assert speed <= 0.5 or head == pytest.approx(10 + 0.008 * flow**2, rel=1e-6)


def test_affinity_laws(build, run):
    """Twice the speed gives twice the flow and four times the head.

    DOE-HDBK-1012/3: 400 gpm and 48 ft at 1800 rpm become 800 gpm and 192 ft at 3600 rpm.
    """
    text = """
    S_1: {type: supply}
    H_1: {type: header}
    P_1: {type: pump, from: S_1, to: H_1, shutoff_head: 250 ft, rated_flow: 800 gal/min,
          rated_head: 192 ft, line_loss: 192 ft, run_up: 0 s, speed_reference: 0.5}
    """
    plant = build(text)
    plant.write("P_1.run", True)
    run(plant, 0.1)
    gallons_per_minute = plant.read("P_1.flow") * 60 / 3.785411784e-3
    assert gallons_per_minute == pytest.approx(400, rel=1e-9)
    head_ft = 0.5**2 * 250 - 58 * (gallons_per_minute / 800) ** 2
    assert head_ft == pytest.approx(48, rel=1e-9)


def test_nothing_runs_back(build, run):
    """The non-return valve holds the tank's content while the pump rests."""
    plant = build(rig())
    plant.write("P_1.run", True)
    run(plant, 5)
    plant.write("P_1.run", False)
    run(plant, 1)
    level = plant.read("T_1.level")
    run(plant, 60)
    assert level > 0
    assert plant.read("T_1.level") == level
    assert plant.read("P_1.flow") == 0


def test_a_resting_pump_lets_liquid_run_downhill(build, run):
    """Where the supply is above the tank, liquid runs through a pump at rest."""
    plant = build(
        """
        S_1: {type: supply, level: 12 m}
        H_1: {type: header, elevation: 2 m}
        P_1: {type: pump, from: S_1, to: H_1, shutoff_head: 40 m, rated_flow: 50 m3/h,
              rated_head: 30 m, line_loss: 30 m}
        """
    )
    run(plant, 1)
    # 10 m = (0.004 + 0.012) Q**2
    assert plant.read("P_1.flow") * 3600 == pytest.approx(25.0, rel=1e-9)


def test_an_empty_supply_gives_nothing(build, run):
    """A pump draws what its supply holds, to the last drop and no more, then runs dry."""
    plant = build(rig(volume="100 L"))
    plant.write("P_1.run", True)
    run(plant, 20)
    assert plant.read("S_1.delivered") == 0.1
    assert plant.read("T_1.volume") == pytest.approx(0.1, rel=1e-14)
    assert plant.read("P_1.dry") is True
    assert plant.read("P_1.flow") == 0


@pytest.mark.parametrize("step", ["1 ms", "50 ms"])
def test_run_up_and_coast_down(build, run, step):
    """The volume moved while the speed ramps is the integral of the flow over the speed."""
    plant = build(rig(ramp="1.13 s"), step)
    flow, _ = quad(
        lambda s: math.sqrt(max(s * s * 40 - 10, 0) / 0.012) / 3600, 0.5, 1, epsabs=1e-12
    )
    plant.write("P_1.run", True)
    run(plant, 1.1)
    assert plant.read("P_1.speed") == pytest.approx(1.1 / 1.13, rel=1e-9)
    run(plant, 0.9)
    steady = 50 / 3600 * (2 - 1.13)
    assert plant.read("T_1.volume") == pytest.approx(1.13 * flow + steady, rel=1e-5)
    plant.write("P_1.run", False)
    before = plant.read("T_1.volume")
    run(plant, 2)
    assert plant.read("T_1.volume") - before == pytest.approx(1.13 * flow, rel=1e-5)
    assert plant.read("P_1.speed") == 0


def test_run_feedback(build, run):
    """The auxiliary contact follows the command, and falls with a motor protection trip."""
    plant = build(rig(ramp="0.5 s"), "10 ms")
    plant.write("P_1.run", True)
    run(plant, 0.02)
    assert plant.read("P_1.running") is False
    run(plant, 0.01)
    assert plant.read("P_1.running") is True
    plant.write("P_1.tripped", True)
    run(plant, 0.6)
    assert plant.read("P_1.running") is False
    assert plant.read("P_1.speed") == 0


def test_a_pipe_end_above_the_liquid_sets_the_lift(build, run):
    """A delivery pipe that ends above the liquid lifts to its end, not to the surface."""
    plant = build(rig(more="outlet_elevation: 16 m"))
    plant.write("P_1.run", True)
    run(plant, 0.1)
    assert plant.read("P_1.flow") * 3600 == pytest.approx(math.sqrt((40 - 16) / 0.012), rel=1e-9)
