"""The wash skid: a wash against figures by hand, its step, its balances.

What it does when things break is in its trials.
"""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from folders import CONFIGS, DAY_STEP_MS, at_step, day, farthest, trajectory
from virtual import VirtualMachine

from softctl.plant import Plant
from softctl.runtime.folder import MachineFolder, load_folder

AREA_M2 = math.pi / 4 * 0.56**2
HEAT_CAPACITY = 998.2072 * 4184  # J/m3/K, water at 20 degC (constant cp)
WATER = 5.2 / 3600 * math.sqrt(998.2072 / 1000 * 9.80665 * (6.2 - 1.5) * 1000 / 1e5)  # m3/s


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(CONFIGS / "wash_skid")


@pytest.fixture
def skid(folder: MachineFolder) -> VirtualMachine:
    machine = VirtualMachine(folder)
    machine.scan()
    machine.command("START")
    return machine


def steps(machine: VirtualMachine) -> tuple[str, ...]:
    return machine.controller.instance.active_steps("Wash")


def test_a_whole_wash_by_hand(skid: VirtualMachine) -> None:
    """Times from volumes, flows and power; a guarded heater in every scan; nothing lost.

    Filling: area * rise / water flow. Heating: m * cp * dT / P. The last rinse, from the
    residue below the drain's stub: between displacement and ideal mixing.
    """
    plant = skid.device.plant
    read = plant.reader(["T_301.level", "P_301.flow", "E_301.given", "T_301.mean_1"])
    began: dict[str, float] = {}
    at: dict[str, tuple[float, ...]] = {}
    seen: tuple[str, ...] = ()
    while "Finished" not in seen:
        values = skid.scan()
        assert not values["FAULT"]
        if values["E_301"]:
            assert values["LSL_301"]
            assert values["FT_301"] >= 30
            assert values["P_301_RUN"]
        assert not (values["XV_303"] and values["XV_304"])
        assert not (values["XV_305"] and (values["XV_301"] or values["P_301"]))
        for name in set(steps(skid)) - set(seen):
            began.setdefault(name, skid.now_ns / 1e9)
            at.setdefault(name, (*map(float, read()), float(values["TT_301"])))
        seen = steps(skid)
        assert skid.now_ns < 2400e9
    order = ["FillRinse", "PreRinse", "PreDrain", "FillWash", "Heating", "Hot", "Holding"]
    order += ["DrainWash", "FillFinal", "FinalRinse", "FinalDrain", "Finished"]
    assert [began[name] for name in order] == sorted(began[name] for name in order)
    # The valve's stroke of 1.2 s costs half of it, the transmitter's lag 0.8 s.
    filling = began["PreRinse"] - began["FillRinse"]
    assert filling == pytest.approx(AREA_M2 * (0.6 - 0.05) / WATER + 1.4, abs=0.3)
    rinsing = began["PreDrain"] - began["PreRinse"]
    # Pump's run-up 0.7 s, level transmitter 0.8 s.
    assert rinsing == pytest.approx(AREA_M2 * 0.2 / at["PreDrain"][1] + 1.5, abs=1.5)
    # Caustic comes at 20 degC; the thermometer lags 6 s; the two vessels lose 19 W/K.
    volume, dose = AREA_M2 * at["Heating"][0], float(plant.read("S_302.delivered"))
    joule = HEAT_CAPACITY * (volume * (62 - at["Heating"][4]) + dose * (62 - 20))
    given = joule / (1 - 19 * (37 - 20) / 48000) + 6 * 48000
    heating = given / 48000
    assert began["Hot"] - began["Heating"] == pytest.approx(heating, rel=0.01)
    assert at["Hot"][2] - at["Heating"][2] == pytest.approx(given, rel=0.005)
    assert began["DrainWash"] - began["Holding"] == pytest.approx(240, abs=0.3)
    # 80 mS/cm is (80 - 0.3) / 5.3 = 15 kg/m3.
    assert 15 < at["Holding"][3] < 17
    left = AREA_M2 * 0.03 * at["DrainWash"][3] / (AREA_M2 * 0.5)
    assert at["FinalRinse"][3] == pytest.approx(left, rel=0.05)
    displaced = AREA_M2 * 0.475 / at["FinalDrain"][1]
    mixed = displaced * math.log(left / ((0.6 - 0.3) / 5.3))
    assert displaced < began["FinalDrain"] - began["FinalRinse"] - 10 < mixed
    dosed = float(plant.read("S_302.delivered_1"))
    caustic = sum(float(plant.read(f"{name}.mass_1")) for name in ("T_301", "T_302"))
    assert plant.read("H_301.received_1") + caustic == pytest.approx(dosed, rel=1e-9)
    assert dosed > 2
    assert skid.controller.values()["WASHES"] == 1


SHOWN = ("T_301.level", "T_302.level", "T_301.temperature", "TT_302.signal", "AT_301.signal")
SPANS = (1.1, 2.0, 100.0, 100.0, 10.0)
SCRIPT = (
    (2, {"XV_301.open": True}),
    (90, {"P_301.run": True, "XV_303.open": True}),
    (100, {"E_301.run": True, "P_302.run": True}),
    (125, {"XV_301.open": False}),
    (130, {"P_302.run": False}),
    (170, {"E_301.run": False, "P_301.run": False, "XV_303.open": False}),
    (175, {"XV_305.open": True, "XV_304.open": True}),
)
EVENTS = ("LSL_301.changed_at_s",)


def test_the_step_does_not_matter(folder: MachineFolder) -> None:
    """At 1, 10 and 50 ms everything measured agrees within 0.1 % of range, every second."""
    runs = [
        trajectory(at_step(folder, milliseconds), SCRIPT, 260, (*SHOWN, *EVENTS))
        for milliseconds in (1, 10, 50)
    ]
    fine = runs[0]
    assert fine[150][5] > 60
    assert fine[-1][5] > 175
    fastest = max(abs(b[0] - a[0]) for a, b in pairwise(fine))
    for rows in runs[1:]:
        assert farthest([r[:5] for r in fine], [r[:5] for r in rows], SPANS) < 0.001
        for row, other in ((fine[150], rows[150]), (fine[-1], rows[-1])):
            assert row[5] == pytest.approx(other[5], abs=0.001 * 1.1 / fastest)


def test_a_day_loses_nothing(folder: MachineFolder) -> None:
    """A day of crude washes: water, caustic and heat are conserved to 1e-9."""
    plant = at_step(folder, DAY_STEP_MS)
    names = ["XV_301.open", "P_301.run", "P_302.run", "E_301.run"]
    names += ["XV_303.open", "XV_304.open", "XV_305.open"]
    drive, read = plant.writer(names), plant.reader(["T_301.level"])
    start = held(plant)

    def decide() -> None:
        phase = plant.now_ns // 10**9 % 900
        level = read()[0]
        drive(
            [
                phase < 700 and level < 0.6,
                60 < phase < 760 and level > 0.4,
                200 < phase < 208,
                200 < phase < 500 and level > 0.4,
                phase < 600,
                phase >= 600,
                phase >= 760,
            ]
        )

    day(plant, decide)
    end = held(plant)
    for suffix in ("", "_1", "_h"):
        came = sum(float(plant.read(f"{name}.delivered{suffix}")) for name in ("S_301", "S_302"))
        gone = float(plant.read(f"H_301.received{suffix}"))
        gone += sum(float(plant.read(f"{n}.overflowed{suffix}")) for n in ("T_301", "T_302"))
        gained = 0.0
        if suffix == "_h":
            gained = sum(float(plant.read(f"{name}.gained_h")) for name in ("T_301", "T_302"))
        assert came > 1
        balance = start[suffix] + came + gained - gone
        assert end[suffix] == pytest.approx(balance, abs=1e-9 * came)


def held(plant: Plant) -> dict[str, float]:
    """What the two vessels hold, by the suffix of its ports."""
    own = {"": "volume", "_1": "mass_1", "_h": "held_h"}
    return {
        suffix: sum(float(plant.read(f"{vessel}.{port}")) for vessel in ("T_301", "T_302"))
        for suffix, port in own.items()
    }
