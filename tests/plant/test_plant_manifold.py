"""Lines joined in a manifold: the heads that a root finder gives, and nothing lost."""

from __future__ import annotations

import math

import pytest
from fluids import friction_factor
from scipy.optimize import brentq

G = 9.80665
RIG = """
S_1: {type: supply, level: 9 m, contains: {salt: 40 kg/m3}}
S_2: {type: supply, level: 7 m, contains: {dye: 25 kg/m3}}
M_1: {type: manifold, content: 50 L}
H_1: {type: header, elevation: 1 m}
H_2: {type: header, elevation: 3 m}
L_1: {type: line, from: S_1, to: M_1, length: 60 m, bore: 52 mm, fittings: 3}
L_2: {type: line, from: S_2, to: M_1, length: 35 m, bore: 41 mm, fittings: 2}
L_3: {type: line, from: M_1, to: H_1, length: 80 m, bore: 63 mm, fittings: 5}
L_4: {type: line, from: M_1, to: H_2, length: 20 m, bore: 26 mm, fittings: 2}
V_4: {type: inline_valve, line: L_4, kv: 20 m3/h, stroke_time: 3 s}
"""
LINES = {"L_1": (60, 0.052, 3), "L_2": (35, 0.041, 2), "L_3": (80, 0.063, 5), "L_4": (20, 0.026, 2)}


def flow(name, head):
    """The flow through one line, by brentq with the friction factor of fluids."""
    length, bore, fittings = LINES[name]
    valve = (3600 / 20) ** 2 / (1000 * G / 1e5) if name == "L_4" else 0

    def loss(q):
        speed = q / (math.pi / 4 * bore**2)
        factor = friction_factor(Re=max(speed * bore / 1.0034e-6, 4001), eD=45e-6 / bore)
        pipe = (factor * length / bore + fittings) * speed**2 / (2 * G)
        return pipe + valve * q * q - abs(head)

    return math.copysign(brentq(loss, 1e-9, 1, xtol=1e-16), head)


def balance(is_open):
    """The head at which the lines bring as much as they take."""

    def surplus(h):
        out = flow("L_3", h - 1) + (flow("L_4", h - 3) if is_open else 0)
        return flow("L_1", 9 - h) + flow("L_2", 7 - h) - out

    return brentq(surplus, 3.5, 6.9, xtol=1e-12)


@pytest.mark.parametrize("step", ["1 ms", "10 ms", "100 ms"])
def test_heads_and_flows(build, run, step):
    """The manifold settles at the head where scipy balances the four lines, valve by valve."""
    plant = build(RIG, step)
    run(plant, 12)
    assert plant.read("M_1.surface") == pytest.approx(balance(False), rel=1e-5)
    plant.write("V_4.open", True)
    run(plant, 15)
    head = balance(True)
    assert plant.read("M_1.surface") == pytest.approx(head, rel=1e-5)
    assert plant.read("L_1.flow") == pytest.approx(flow("L_1", 9 - head), rel=1e-5)
    assert plant.read("L_4.flow") == pytest.approx(flow("L_4", head - 3), rel=1e-5)
    assert plant.read("M_1.volume") == pytest.approx(0.05, rel=1e-4)


def test_nothing_is_lost(build, run):
    """Volume and species are conserved while lines open, close and starve the manifold."""
    plant = build(RIG, "50 ms")
    for second in range(120):
        plant.write("V_4.open", second % 14 < 7)
        plant.write("S_1.lost", 40 < second < 60)
        plant.write("L_2.blocked", 1.0 if 50 < second < 70 else 0.0)
        run(plant, 1)
        assert plant.read("M_1.volume") >= 0
        assert min(plant.reader(["M_1.mass_1", "M_1.mass_2"])()) >= 0
    for suffix, at_start in (("", 0.05), ("_1", 0), ("_2", 0)):
        came = sum(plant.read(f"{name}.delivered{suffix}") for name in ("S_1", "S_2"))
        gone = sum(plant.read(f"{name}.received{suffix}") for name in ("H_1", "H_2"))
        kept = plant.read("M_1.volume" if not suffix else f"M_1.mass{suffix}")
        assert kept == pytest.approx(at_start + came - gone, abs=1e-11 * came)


def test_streams_mix(build, run):
    """The manifold's content takes the mean of the streams by their flows."""
    plant = build(RIG, "20 ms")
    run(plant, 600)
    q_1, q_2 = plant.reader(["L_1.flow", "L_2.flow"])()
    assert plant.read("M_1.outlet_1") == pytest.approx(40 * q_1 / (q_1 + q_2), rel=1e-6)
    assert plant.read("M_1.outlet_2") == pytest.approx(25 * q_2 / (q_1 + q_2), rel=1e-6)


STATION = """
S_1: {type: supply, level: 1 m}
M_1: {type: motor, run_up: 0.8 s}
M_2: {type: motor, run_up: 0.8 s}
P_1: {type: inline_pump, line: L_1, motor: M_1, shutoff_head: 16 m, rated_flow: 14 L/s,
      rated_head: 10 m}
P_2: {type: inline_pump, line: L_2, motor: M_2, shutoff_head: 16 m, rated_flow: 14 L/s,
      rated_head: 10 m}
L_1: {type: line, from: S_1, to: N_1, length: 5 m, bore: 102 mm, check_valve: true}
L_2: {type: line, from: S_1, to: N_1, length: 5 m, bore: 102 mm, check_valve: true}
N_1: {type: manifold, initial_surface: 6 m}
L_3: {type: line, from: N_1, to: H_1, length: 150 m, bore: 129 mm, check_valve: true}
H_1: {type: header, elevation: 6 m}
"""


@pytest.mark.parametrize("step", ["1 ms", "10 ms", "50 ms", "100 ms"])
def test_pumps_that_start_and_stop_behind_check_valves(build, run, step):
    """The head stays between outfall and shut-off head while lines open and shut in turn.

    Expected flow: the two pumps' curve against rising main and risers, by bisection with
    the friction factor of `fluids`.
    """
    plant = build(STATION, step)
    state = plant.reader(["N_1.surface", "L_1.flow", "L_3.flow"])
    seen = []
    for first, second, seconds in ((1, 0, 8), (1, 1, 8), (0, 1, 8), (0, 0, 8), (1, 1, 12)):
        plant.writer(["M_1.run", "M_2.run"])([bool(first), bool(second)])
        for _ in range(round(seconds * 1e9 / plant.step_ns)):
            plant.step()
            seen.append(state())
    assert min(head for head, _, _ in seen) > 5.5
    assert max(head for head, _, _ in seen) < 17
    assert max(flow for _, _, flow in seen) < 0.035
    _, riser, main = state()
    assert main == pytest.approx(2 * riser, rel=1e-6)
    assert main == pytest.approx(_flow_of_two(), rel=1e-6)


def _flow_of_two() -> float:
    """m3/s of both pumps, by bisection."""
    low, high = 0.001, 0.08
    for _ in range(80):
        total = 0.5 * (low + high)
        each = 0.5 * total
        gain = 16 - 6 * (each / 0.014) ** 2
        loss = 5 + _loss(each, 5, 0.102) + _loss(total, 150, 0.129)
        low, high = (total, high) if gain > loss else (low, total)
    return total


def _loss(flow: float, length: float, bore: float) -> float:
    """Head that a pipe takes, by Darcy and Weisbach."""
    speed = flow / (math.pi / 4 * bore * bore)
    factor = friction_factor(Re=speed * bore / 1.0034e-6, eD=45e-6 / bore)
    return factor * length / bore * speed * speed / (2 * 9.80665)
