"""The pumping station: its cycle against figures by hand, its step, its balance.

What it does when things break is in its trials.
"""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path

import pytest
from fluids import friction_factor
from folders import CONFIGS, DAY_STEP_MS, at_step, changed, day, farthest, trajectory
from scipy.integrate import quad
from scipy.optimize import brentq
from virtual import VirtualMachine

from softctl.plant import Fault
from softctl.runtime.folder import MachineFolder, load_folder

AREA_M2 = 2.4 * 1.7
START_M, STOP_M, FLOOR_M, OUTFALL_M = 1.35, 0.62, -4.3, 2.4
INFLOW = 0.0048
FACTORS = (
    "factors: [0.45, 0.38, 0.35, 0.36, 0.42, 0.62, 1.15, 1.85, 1.98, 1.62, 1.30, 1.12,\n"
    "              1.08, 1.02, 0.96, 0.94, 1.02, 1.20, 1.46, 1.55, 1.24, 0.86, 0.62, 0.45]"
)


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(CONFIGS / "sump_station")


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> MachineFolder:
    """The station with the same inflow at all hours."""
    target = tmp_path_factory.mktemp("sump")
    return changed("sump_station", target, ("    scatter: 0.12\n", ""), (f"    {FACTORS}\n", ""))


@pytest.fixture
def station(steady: MachineFolder) -> VirtualMachine:
    machine = VirtualMachine(steady)
    machine.scan()
    machine.command("START")
    return machine


def friction(flow: float, length: float, bore: float, fittings: float) -> float:
    """Darcy and Weisbach with the friction factor of fluids, m."""
    speed = flow / (math.pi / 4 * bore * bore)
    factor = friction_factor(Re=speed * bore / 1.0034e-6, eD=45e-6 / bore)
    return (factor * length / bore + fittings) * speed * speed / (2 * 9.80665)


def pumped(level: float, pumps: int = 1) -> float:
    """The station's flow with one or both pumps: their curve meets the rising main's."""

    def surplus(flow: float) -> float:
        each = flow / pumps
        gain = 16.4 - (16.4 - 10.6) * (each / 0.014) ** 2
        lift = OUTFALL_M - (FLOOR_M + level)
        return gain - lift - friction(each, 5.2, 0.102, 4.6) - friction(flow, 184, 0.129, 6.5)

    return float(brentq(surplus, 1e-4, 0.1))


def inject(machine: VirtualMachine, equipment: str, name: str, **size: float) -> None:
    """Break something now."""
    machine.device.plant.inject(Fault(equipment, name, at_ns=machine.device.plant.now_ns, **size))


def test_two_cycles_by_hand(station: VirtualMachine) -> None:
    """Filling takes volume over inflow, emptying the integral over the surplus, pumps alternate.

    The transmitter's lag of 1.2 s, a scan and the coast-down empty the sump some 2 % of its
    stroke too far: up to 6 s of filling.
    """
    fill_s = AREA_M2 * (START_M - STOP_M) / INFLOW
    empty_s, _ = quad(lambda level: AREA_M2 / (pumped(level) - INFLOW), STOP_M, START_M)
    assert fill_s == pytest.approx(620.5, abs=0.1)
    assert empty_s == pytest.approx(274.8, abs=0.1)
    times: list[float] = []
    for name, value in 2 * [("P_201", True), ("P_201", False), ("P_202", True), ("P_202", False)]:
        station.run_until(lambda v, name=name, value=value: v[name] is value, 900)
        times.append(station.now_ns / 1e9)
        assert not (station.controller.values()["P_201"] and station.controller.values()["P_202"])
    spans = [later - earlier for earlier, later in pairwise(times)]
    assert spans[0::2] == pytest.approx([empty_s] * 4, abs=3)
    assert spans[1::2] == pytest.approx([fill_s] * 3, abs=6)
    values = station.controller.values()
    assert (values["P_201_STARTS"], values["P_202_STARTS"], values["DUTY"]) == (2, 2, 1)


def test_the_flow_of_one_pump_and_of_two(station: VirtualMachine) -> None:
    """Both deliver far less than twice one: the rising main is shared."""
    read = station.device.plant.reader(["T_201.level", "L_203.flow"])
    station.run_until(lambda v: bool(v["P_201"]), 900)
    for _ in range(200):
        station.scan()
    level, flow = read()
    assert flow == pytest.approx(pumped(level), rel=1e-3)
    inject(station, "Q_201", "surge", size=6.0)
    station.run_until(lambda v: bool(v["P_201"] and v["P_202"]), 600)
    for _ in range(200):
        station.scan()
    level, flow = read()
    assert flow == pytest.approx(pumped(level, pumps=2), rel=1e-3)
    assert 1.4 < pumped(level, pumps=2) / pumped(level) < 1.7


SHOWN = ("T_201.level", "LT_201.signal")
SPANS = (3.1, 3.0)
SCRIPT = (
    (3, {"M_201.run": True}),
    (20, {"M_202.run": True}),
    (36, {"M_201.run": False}),
    (50, {"M_202.run": False, "Q_201.surge": 8.0}),
)
EVENTS = ("LSL_201.changed_at_s", "LSH_201.changed_at_s")


def test_the_step_does_not_matter(tmp_path: Path) -> None:
    """At 1, 10 and 50 ms the level and its signal agree within 0.1 % of its range, every second.

    The floats change within what 0.1 % of the level's range is worth in time.
    """
    folder = changed("sump_station", tmp_path, ("initial_level: 1.14 m", "initial_level: 0.47 m"))
    runs = []
    for milliseconds in (1, 10, 50):
        plant = at_step(folder, milliseconds)
        rows = trajectory(plant, SCRIPT, 290, (*SHOWN, *EVENTS))
        assert rows[-1][2] > 30
        assert rows[-1][3] > 200
        runs.append(rows)
    fine = runs[0]
    fastest = max(abs(b[0] - a[0]) for a, b in pairwise(fine))
    for rows in runs[1:]:
        assert farthest([r[:2] for r in fine], [r[:2] for r in rows], SPANS) < 0.001
        assert rows[-1][2:] == pytest.approx(fine[-1][2:], abs=0.001 * 3.1 / fastest)


def test_a_day_loses_nothing(folder: MachineFolder) -> None:
    """A day's inflow is in the outfall, the main, the sump or over its edge, to 1e-9."""
    plant = at_step(folder, DAY_STEP_MS)
    at_start = plant.read("T_201.volume") + plant.read("N_201.volume")
    read, drive = plant.reader(["T_201.level"]), plant.writer(["M_201.run", "M_202.run"])
    state = [False, 0]

    def decide() -> None:
        level = read()[0]
        wanted = level > (STOP_M if state[0] else START_M)
        if wanted and not state[0]:
            state[1] += 1
        state[0] = wanted
        drive([wanted and state[1] % 2 == 1, wanted and state[1] % 2 == 0])

    day(plant, decide)
    came = plant.read("Q_201.total")
    held = plant.read("T_201.volume") + plant.read("N_201.volume")
    gone = plant.read("H_201.received") + plant.read("T_201.overflowed")
    assert held == pytest.approx(at_start + came - gone, abs=1e-9 * came)
    assert came == pytest.approx(86400 * INFLOW, rel=0.1)
    # A cycle lasts V / q + V / (Q - q): so many fit into the day, hour by hour.
    factors = [float(text) for text in FACTORS[10:-1].split(",")]
    pump = pumped(0.5 * (START_M + STOP_M))
    cycles = sum(
        3600 * q * (pump - q) / (AREA_M2 * (START_M - STOP_M) * pump)
        for q in (INFLOW * factor for factor in factors)
    )
    assert state[1] == pytest.approx(cycles, rel=0.08)
