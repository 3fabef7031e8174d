"""The make-up skid: what a batch holds, whether it is even, and what a wrong recipe shows."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from folders import CONFIGS, DAY_STEP_MS, at_step, changed, day, farthest, trajectory
from virtual import VirtualMachine

from softctl.plant import Fault
from softctl.runtime.folder import MachineFolder, load_folder

AREA_M2 = math.pi / 4 * 0.58**2


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(CONFIGS / "glasshouse_feed")


@pytest.fixture
def skid(folder: MachineFolder) -> VirtualMachine:
    return started(folder)


def started(folder: MachineFolder) -> VirtualMachine:
    machine = VirtualMachine(folder)
    machine.scan()
    machine.command("START")
    return machine


def run_to(machine: VirtualMachine, step: str, limit_s: float = 900) -> dict:
    active = machine.controller.instance.active_steps
    return machine.run_until(lambda _: active("Feed") == (step,), limit_s)


def pumped(shutoff: float, rated: float, head: float, loss: float, lift: float) -> float:
    """L/min of a pump whose curve meets its line's: H0 - k Q^2 = lift + r Q^2."""
    return rated * math.sqrt((shutoff - lift) / (shutoff - head + loss))


def test_a_batch_holds_what_the_recipe_says(skid: VirtualMachine) -> None:
    """Concentrations, conductivity and feeding time by hand, from the pumps' curves.

    In the mean of the feed the tank stands at 0.73 m; the lift is the level's height over
    the free surface of the store. The heel of the first batch has the same recipe.
    """
    first = run_to(skid, "Discharging")
    began_s = run_to(skid, "Feeding") and skid.now_ns / 1e9
    run_to(skid, "Settling")
    feeding_s = skid.now_ns / 1e9 - began_s
    values = run_to(skid, "Discharging")
    one = pumped(11.3, 41, 7.9, 3.7, 1.22 + 0.73 - 0.46)
    two = pumped(12.6, 35, 8.3, 4.1, 1.22 + 0.73 - 0.39)
    calcium, potassium = 4.8 * one / (one + two), 1.4 * two / (one + two)
    level = float(skid.device.plant.read("LSL_101.release_level"))
    volume = 1000 * AREA_M2 * (1.17 - level)
    # Run-up and the valve's closing after the switch let the level start lower.
    assert feeding_s == pytest.approx(volume / (one + two) * 60, abs=5)
    read = skid.device.plant.read
    for name, port, expected in (
        ("CALCIUM", "mean_1", calcium),
        ("POTASSIUM", "mean_2", potassium),
    ):
        assert read(f"T_101.{port}") == pytest.approx(expected, rel=0.005)
        assert values[name] == pytest.approx(float(read(f"T_101.{port}")), rel=0.002)
        assert first[name] == pytest.approx(expected, rel=0.005)
    conductivity = 0.3 + 1.2 * calcium + 1.25 * potassium
    assert values["AT_101"] == pytest.approx(conductivity, abs=0.02)
    assert not values["OFF_SPEC"]
    assert not values["FEED_ALARM"]


def test_a_lost_pump_gives_a_batch_that_is_held(skid: VirtualMachine) -> None:
    """The alarm comes at once; the batch is stirred, judged and kept until RELEASE."""
    run_to(skid, "Feeding")
    for _ in range(600):
        skid.scan()
    skid.device.plant.inject(Fault("P_102", "motor trip", at_ns=skid.now_ns))
    values = skid.run_until(lambda v: bool(v["FEED_ALARM"]), 4.3)
    assert not values["P_102_RUN"]
    values = run_to(skid, "Held", 900)
    assert values["OFF_SPEC"]
    assert values["AT_101"] > values["COND_HIGH"]
    # The first batch's heel, 6 % of it, is taken for pure.
    calcium = float(skid.device.plant.read("T_101.mean_1"))
    assert values["CALCIUM"] == pytest.approx(calcium, rel=0.03)
    for _ in range(600):
        values = skid.scan()
        assert not any(values[name] for name in ("P_101", "P_102", "A_101", "XV_101"))
    skid.command("RELEASE")
    run_to(skid, "Discharging", 1)
    run_to(skid, "Counting")


def test_a_weak_solution_shows_in_the_conductivity_alone(tmp_path: Path) -> None:
    """What was fed looks right by flow and strength; what came does not conduct enough."""
    weak = ("contains: {calcium nitrate: 4.8 kg/m3}", "contains: {calcium nitrate: 4.1 kg/m3}")
    skid = started(changed("glasshouse_feed", tmp_path, weak))
    values = run_to(skid, "Held")
    assert values["AT_101"] < values["COND_LOW"]
    assert not values["FEED_ALARM"]
    assert values["CALCIUM"] == pytest.approx(2.62, abs=0.02)
    assert skid.device.plant.read("T_101.mean_1") == pytest.approx(2.62 * 4.1 / 4.8, abs=0.03)


def test_stirring_goes_on_until_the_batch_is_even(tmp_path: Path) -> None:
    """A layer of one solution on top takes about the time that its decay says.

    The tank's unevenness falls to 0.05 in theta95 = 5.2 T^1.5 H^0.5 / (Np^(1/3) N D^2)
    (Handbook of Industrial Mixing, chapter 9). The outlet's conductivity differs from the
    mean by as much; it rests when it changes by 0.02 mS/cm in 5 s.
    """
    skid = started(changed("glasshouse_feed", tmp_path, ("initial: 75 s", "initial: 5 s")))
    run_to(skid, "Feeding")
    plant = skid.device.plant
    plant.inject(Fault("P_102", "motor trip", at_ns=140 * 10**9))
    run_to(skid, "Stirring")
    began_s = skid.now_ns / 1e9
    outlet, mean = (float(plant.read(f"T_101.{port}")) for port in ("outlet_1", "mean_1"))
    assert mean - outlet > 0.15
    run_to(skid, "Coasting")
    stirred = skid.now_ns / 1e9 - began_s
    theta95 = 5.2 * 0.58**1.5 * 1.17**0.5 / (1.27 ** (1 / 3) * 190 / 60 * 0.17**2)
    rate = math.log(20) / theta95
    difference = 1.2 * (mean - outlet)
    needed = math.log(difference * (math.exp(5 * rate) - 1) / 0.02) / rate
    # A look every 5 s; run-up 1.7 s and the cell's lag of 2 s come on top.
    assert needed < stirred < needed + 5 + 1.7 + 4
    assert float(plant.read("T_101.unevenness")) < 0.02


SHOWN = ("T_101.level", "LT_101.signal", "AT_101.signal", "FT_101.signal")
SPANS = (1.43, 1.38, 1.0, 80 / 60000)
SCRIPT = (
    (1, {"P_101.run": True}),
    (40, {"P_102.run": True}),
    (90, {"P_101.run": False}),
    (150, {"P_102.run": False}),
    (152, {"A_101.run": True}),
    (172, {"A_101.run": False, "XV_101.open": True}),
)
EVENTS = ("LSL_101.changed_at_s",)


def test_the_step_does_not_matter(folder: MachineFolder) -> None:
    """At 1, 10 and 50 ms everything measured agrees within 0.1 % of range, every second."""
    runs = [
        trajectory(at_step(folder, milliseconds), SCRIPT, 260, (*SHOWN, *EVENTS))
        for milliseconds in (1, 10, 50)
    ]
    fine = runs[0]
    assert 40 < fine[100][4] < 90
    assert fine[-1][4] > 172
    for rows in runs[1:]:
        assert farthest([r[:4] for r in fine], [r[:4] for r in rows], SPANS) < 0.001
        assert rows[-1][4] == pytest.approx(fine[-1][4], abs=0.01)


def test_a_day_loses_nothing(folder: MachineFolder) -> None:
    """A day of batches without a program: volume and both species are conserved to 1e-9."""
    plant = at_step(folder, DAY_STEP_MS)
    own = {"": "volume", "_1": "mass_1", "_2": "mass_2"}
    start = {suffix: float(plant.read(f"T_101.{port}")) for suffix, port in own.items()}
    read = plant.reader(["LSH_101.actuated", "LSL_101.actuated"])
    drive = plant.writer(["P_101.run", "P_102.run", "A_101.run", "XV_101.open"])
    state = {"feeding": True, "batches": 0}

    def decide() -> None:
        full, above_low = read()
        if state["feeding"] and full:
            state["feeding"] = False
        elif not state["feeding"] and not above_low:
            state["feeding"], state["batches"] = True, state["batches"] + 1
        feeding = bool(state["feeding"])
        drive([feeding, feeding, not feeding, not feeding])

    day(plant, decide)
    assert state["batches"] > 250
    for suffix, port in own.items():
        came = sum(float(plant.read(f"{name}.delivered{suffix}")) for name in ("S_101", "S_102"))
        gone = sum(
            float(plant.read(f"{end}{suffix}")) for end in ("H_101.received", "T_101.overflowed")
        )
        held = float(plant.read(f"T_101.{port}"))
        assert held == pytest.approx(start[suffix] + came - gone, abs=1e-9 * came)
