"""The same events at any step, and nothing lost over a day."""

from __future__ import annotations

import pytest

SKID = """
S_1: {type: supply, level: 0.9 m, contains: {salt: 176 kg/m3}}
S_2: {type: supply, level: 0.7 m, contains: {dye: 91 kg/m3}}
T_1: {type: tank, diameter: 0.62 m, height: 1.5 m, elevation: 1.1 m, initial_level: 0.21 m}
P_1: {type: pump, from: S_1, to: T_1, shutoff_head: 9.3 m, rated_flow: 67 L/min,
      rated_head: 6.4 m, line_loss: 4.1 m, run_up: 0.73 s, run_down: 0.91 s}
P_2: {type: pump, from: S_2, to: T_1, shutoff_head: 8.9 m, rated_flow: 83 L/min,
      rated_head: 6.1 m, line_loss: 3.7 m, run_up: 0.57 s, run_down: 0.66 s}
A_1: {type: agitator, in: T_1, diameter: 0.19 m, speed: 210 rpm, power_number: 1.3}
V_1: {type: valve, from: T_1, to: H_1, kv: 24 m3/h, stroke_time: 2.7 s}
H_1: {type: header, elevation: 0.6 m}
LH_1: {type: level_switch, in: T_1, level: 1.13 m, differential: 9 mm,
       contact: normally_closed, closes_on: falling}
LM_1: {type: level_switch, in: T_1, level: 0.2104 m, differential: 0 mm,
       contact: normally_open, closes_on: rising}
LL_1: {type: level_switch, in: T_1, level: 0.26 m, differential: 9 mm,
       contact: normally_open, closes_on: rising}
LT_1: {type: level_transmitter, in: T_1, range: [0 m, 1.6 m], lag: 0.7 s}
"""
SWITCHES = ["LM_1", "LL_1", "LH_1"]


def crossings(build, run, step):
    """When each switch changed in one batch with commands at whole seconds, and the end."""
    plant = build(SKID, step)
    seen: list[float] = []
    times = plant.reader([f"{name}.changed_at_s" for name in SWITCHES])
    plant.write("P_1.run", True)
    run(plant, 3)
    plant.write("P_2.run", True)
    run(plant, 2)
    plant.write("P_1.run", False)
    run(plant, 2)
    plant.write("P_1.run", True)
    run(plant, 133)
    seen += times()
    plant.write("P_1.run", False)
    plant.write("P_2.run", False)
    run(plant, 3)
    plant.write("V_1.open", True)
    run(plant, 60)
    plant.write("V_1.open", False)
    run(plant, 5)
    plant.write("V_1.open", True)
    run(plant, 110)
    seen += times()
    return seen, plant.read("T_1.level"), plant.read("H_1.received_1")


@pytest.fixture(scope="module")
def fine(build, run):
    """The batch at 1 ms."""
    return crossings(build, run, "1 ms")


@pytest.mark.parametrize(("step", "apart_s"), [("10 ms", 1e-5), ("50 ms", 2e-4), ("100 ms", 6e-4)])
def test_crossings_agree_between_steps(build, run, fine, step, apart_s):
    """Switches change at the same time at any step, to under 1 % of the step."""
    seen, level, mass = crossings(build, run, step)
    assert len(set(seen)) == 6
    assert all(time > 0 for time in seen)
    assert seen == pytest.approx(fine[0], abs=apart_s)
    # 0.1 % of the transmitter's range is 1.6 mm.
    assert level == pytest.approx(fine[1], abs=1e-5)
    assert mass == pytest.approx(fine[2], rel=1e-4)


def test_runs_repeat_exactly(build, run):
    """Two runs of the same plant are the same to the last bit."""
    assert crossings(build, run, "100 ms") == crossings(build, run, "100 ms")


def test_snapshots_repeat_exactly(build, run):
    """A plant put back to a snapshot goes the same way again."""
    plant = build(SKID, "50 ms")
    plant.write("P_1.run", True)
    run(plant, 7)
    state = plant.snapshot()
    run(plant, 50)
    first = plant.now_ns, plant.read("T_1.level"), plant.read("T_1.outlet_1")
    plant.restore(state)
    run(plant, 50)
    assert (plant.now_ns, plant.read("T_1.level"), plant.read("T_1.outlet_1")) == first


def test_a_day_conserves_volume_and_mass(build):
    """Over a day of batches volume and mass are conserved to 1e-9, and never negative."""
    plant = build(SKID, "100 ms")
    state = plant.reader(["LH_1.contact", "LL_1.contact", "T_1.volume", "T_1.mass_1", "T_1.mass_2"])
    drive = plant.writer(["P_1.run", "P_2.run", "V_1.open"])
    held = [plant.read(f"T_1.{name}") for name in ("volume", "mass_1", "mass_2")]
    filling, batches = True, 0
    for _ in range(24 * 3600 // 2):
        below_high, above_low, *contents = state()
        assert min(contents) >= 0
        if filling and not below_high:
            filling = False
        elif not filling and not above_low:
            filling, batches = True, batches + 1
        drive([filling, filling, not filling])
        for _ in range(20):
            plant.step()
    assert batches > 200
    balances = zip(("", "_1", "_2"), ("volume", "mass_1", "mass_2"), held, strict=True)
    for suffix, own, at_start in balances:
        came = sum(plant.read(f"{name}.delivered{suffix}") for name in ("S_1", "S_2"))
        gone = plant.read(f"H_1.received{suffix}") + plant.read(f"T_1.overflowed{suffix}")
        kept = plant.read(f"T_1.{own}")
        assert came > 10
        assert kept == pytest.approx(at_start + came - gone, abs=1e-9 * came)
