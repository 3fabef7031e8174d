"""Faults: what each breaks, when it comes and goes."""

from __future__ import annotations

import statistics

import pytest

from softctl.errors import SoftctlError
from softctl.plant import Fault

S = 10**9
RIG = """
S_1: {type: supply, level: 2 m, contains: {salt: 30 kg/m3}}
T_1: {type: tank, diameter: 1 m, height: 2 m, initial_level: 1 m, elevation: 1 m}
P_1: {type: pump, from: S_1, to: T_1, shutoff_head: 12 m, rated_flow: 40 L/min,
      rated_head: 8 m, line_loss: 4 m}
V_1: {type: valve, from: T_1, to: H_1, kv: 6 m3/h, stroke_time: 2 s}
H_1: {type: header}
A_1: {type: agitator, in: T_1, diameter: 0.3 m, speed: 100 rpm, power_number: 1}
L_1: {type: level_switch, in: T_1, level: 1.3 m, contact: normally_open, closes_on: falling}
LT_1: {type: level_transmitter, in: T_1, range: [0 m, 2 m], lag: 0.5 s}
"""


def test_every_block_names_its_faults(build):
    """The faults that a piece of equipment can have are known by name."""
    plant = build(RIG)
    assert plant.faults("V_1") == (
        "lost supply",
        "stuck",
        "slow",
        "leak",
        "blocked line",
        "no opened feedback",
        "no closed feedback",
    )
    assert plant.faults("l_1") == (
        "lost supply",
        "broken wire",
        "short circuit",
        "stuck",
        "drift",
        "wrong contact sense",
    )
    assert plant.faults("H_1") == ()


def test_a_fault_comes_and_goes(build, run):
    """A broken wire opens the loop from its time on, for its time."""
    plant = build(RIG)
    plant.inject(Fault("L_1", "broken wire", at_ns=2 * S, for_ns=3 * S))
    for second, is_closed in enumerate([True, True, False, False, False, True, True]):
        plant.step()
        assert plant.read("L_1.contact") is is_closed, second
        assert bool(plant.active_faults()) is not is_closed
        run(plant, 0.99)


@pytest.mark.parametrize(
    ("name", "closed"),
    [
        ("broken wire", False),
        ("short circuit", True),
        ("lost supply", False),
        ("wrong contact sense", False),
        ("stuck", True),
    ],
)
def test_faults_of_a_switch(build, run, name, closed):
    """Each fault of a healthy, closed high-level switch that opens on high."""
    plant = build(RIG)
    plant.inject(Fault("L_1", name))
    plant.step()
    assert plant.read("L_1.contact") is closed
    plant.write("T_1.volume", 1.2)
    plant.write("P_1.run", True)
    run(plant, 1)
    assert plant.read("T_1.level") > 1.3
    expected = {"short circuit": True, "stuck": True, "wrong contact sense": True}
    assert plant.read("L_1.contact") is expected.get(name, False)


def test_faults_of_a_pump(build, run):
    """Trip, missing feedback and a blocked line each show in their own way."""
    plant = build(RIG)
    plant.write("P_1.run", True)
    run(plant, 2)
    flow = plant.read("P_1.flow")
    plant.inject(Fault("P_1", "no feedback", at_ns=plant.now_ns, for_ns=S))
    run(plant, 0.5)
    assert plant.read("P_1.running") is False
    assert plant.read("P_1.flow") == pytest.approx(flow, rel=1e-3)
    run(plant, 1)
    assert plant.read("P_1.running") is True
    plant.inject(Fault("P_1", "blocked line", at_ns=plant.now_ns, for_ns=S))
    run(plant, 0.5)
    assert plant.read("P_1.running") is True
    assert plant.read("P_1.flow") == 0
    run(plant, 1)
    plant.inject(Fault("P_1", "motor trip", at_ns=plant.now_ns))
    run(plant, 1)
    assert plant.read("P_1.running") is False
    assert plant.read("P_1.speed") == 0
    plant.clear_faults()
    run(plant, 1)
    assert plant.read("P_1.running") is True


def test_faults_of_a_valve(build, run):
    """Slow, stuck, leaking, without energy or feedback."""
    plant = build(RIG)
    plant.inject(Fault("V_1", "slow", size=3.0))
    plant.write("V_1.open", True)
    run(plant, 3)
    assert plant.read("V_1.position") == pytest.approx(0.5)
    plant.inject(Fault("V_1", "stuck", at_ns=plant.now_ns, for_ns=2 * S))
    run(plant, 2)
    assert plant.read("V_1.position") == pytest.approx(0.5)
    plant.clear_faults()
    run(plant, 1.1)
    assert plant.read("V_1.opened") is True
    plant.inject(Fault("V_1", "no opened feedback", at_ns=plant.now_ns, for_ns=S))
    plant.step()
    assert plant.read("V_1.opened") is False
    plant.inject(Fault("V_1", "lost supply", at_ns=plant.now_ns))
    run(plant, 2.1)
    assert plant.read("V_1.closed") is True
    assert plant.read("V_1.flow") == 0
    plant.inject(Fault("V_1", "leak", at_ns=plant.now_ns, size=0.05))
    plant.step()
    assert plant.read("V_1.closed") is True
    full = 6 / 3600 * (plant.read("T_1.surface") * 0.0980665) ** 0.5
    assert plant.read("V_1.flow") == pytest.approx(0.05 * full, rel=1e-3)


def test_drift_is_ramped(build, run):
    """A drift grows evenly to its size, and goes at its end."""
    plant = build(RIG)
    plant.inject(Fault("LT_1", "drift", at_ns=S, for_ns=10 * S, size=0.2, ramp_ns=4 * S))
    run(plant, 3)
    assert plant.read("LT_1.signal") == pytest.approx(1.1, abs=1e-3)
    run(plant, 4)
    assert plant.read("LT_1.signal") == pytest.approx(1.2, abs=1e-12)
    run(plant, 5)
    assert plant.read("LT_1.signal") == pytest.approx(1.0, abs=1e-12)


def test_noise_is_seeded_and_normal_enough(build, run):
    """Noise has its standard deviation and no bias, differs between devices, and repeats."""

    def record():
        plant = build(RIG + "LT_2: {type: level_transmitter, in: T_1, range: [0 m, 2 m]}")
        plant.inject(Fault("LT_1", "noise", size=0.01))
        plant.inject(Fault("LT_2", "noise", size=0.01))
        read, pairs = plant.reader(["LT_1.signal", "LT_2.signal"]), []
        for _ in range(4000):
            plant.step()
            pairs.append(read())
        return pairs

    pairs = record()
    assert pairs == record()
    first, second = (list(column) for column in zip(*pairs, strict=True))
    assert statistics.fmean(first) == pytest.approx(1, abs=5e-4)
    assert statistics.stdev(first) == pytest.approx(0.01, rel=0.05)
    assert abs(statistics.correlation(first, second)) < 0.05
    assert abs(statistics.correlation(first[1:], first[:-1])) < 0.05


def test_a_leak_is_accounted_for(build, run):
    """A hole in the bottom drains by Torricelli's law, and the mass of it is counted."""
    rig = RIG.replace("initial_level: 1 m", "initial_level: 1 m, contains: {dye: 9 kg/m3}")
    plant = build(rig.replace("level: 2 m", "level: 0 m"))
    held = plant.read("T_1.volume")
    plant.inject(Fault("T_1", "leak", size=0.01))
    run(plant, 100)
    lost = plant.read("T_1.leaked")
    # Cd 0.61, 10 mm, 1 m falling slowly: about 0.21 L/s at first.
    root = 1 - 0.61 * 0.01**2 * (9.80665 / 2) ** 0.5 * 100
    assert plant.read("T_1.level") == pytest.approx(root**2, rel=1e-5)
    assert plant.read("T_1.volume") + lost == pytest.approx(held, rel=1e-13)
    assert plant.read("T_1.leaked_2") == pytest.approx(9 * lost, rel=1e-12)


def test_a_lost_supply(build, run):
    """Nothing comes from a supply that is shut off, and its pump runs dry."""
    plant = build(RIG)
    plant.write("P_1.run", True)
    plant.inject(Fault("S_1", "lost supply", at_ns=3 * S))
    run(plant, 4)
    assert plant.read("P_1.flow") == 0
    assert plant.read("P_1.dry") is True


def test_snapshots_keep_the_faults(build, run):
    """A plant put back to a snapshot has the faults it had, and goes the same way."""
    plant = build(RIG)
    plant.inject(Fault("LT_1", "drift", at_ns=S, for_ns=4 * S, size=0.2, ramp_ns=3 * S))
    run(plant, 2)
    state = plant.snapshot()
    trace = []
    for _ in range(2):
        plant.restore(state)
        run(plant, 1)
        middle = plant.read("LT_1.signal")
        run(plant, 3)
        trace.append((middle, plant.read("LT_1.signal")))
    assert trace[0] == trace[1]
    assert trace[0][0] > 1.1
    assert trace[0][1] == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("fault", "message"),
    [
        (Fault("V_9", "stuck"), "expected an equipment's name, got V_9"),
        (Fault("V_1", "stcuk"), r"expected a fault of V_1 \(.*\), got stcuk: did you mean stuck"),
        (Fault("H_1", "leak"), r"expected a fault of H_1 \(it has none\), got leak"),
        (Fault("V_1", "slow"), "expected a size of 0.01 to 1000 for slow, got None"),
        (Fault("LT_1", "drift", size=5000.0), "expected a size of -1000 to 1000 m for drift"),
        (Fault("V_1", "stuck", size=1.0), "expected no size or ramp for stuck"),
        (Fault("V_1", "stuck", at_ns=-1), "expected a fault with times from 0 s on"),
        (Fault("V_1", "stuck", for_ns=0), "expected a fault with times from 0 s on"),
    ],
)
def test_faults_that_cannot_be(build, fault, message):
    """A fault that no equipment can have is refused with what was expected."""
    with pytest.raises(SoftctlError, match=message):
        build(RIG).inject(fault)


PLAN = """
faults:
  - {equipment: L_1, fault: broken wire, at: 2 s, for: 3 s}
  - {equipment: LT_1, fault: drift, at: 1 s, size: 20 mm, ramp: 2 s}
  - {equipment: "*", fault: motor trip, at: 8 s}
"""


def test_faults_of_the_machine_file(planned, run):
    """What the file plans comes and goes by itself, `*` for all that can have it."""
    plant = planned(RIG, PLAN)
    plant.write("P_1.run", True)
    plant.write("A_1.run", True)
    run(plant, 2)
    assert plant.read("L_1.contact") is True
    assert plant.read("LT_1.signal") == pytest.approx(plant.read("T_1.level") + 0.01, abs=1e-3)
    run(plant, 1)
    assert plant.read("L_1.contact") is False
    run(plant, 4)
    assert plant.read("L_1.contact") is True
    assert plant.reader(["P_1.running", "A_1.running"])() == (True, True)
    run(plant, 2)
    assert plant.reader(["P_1.running", "A_1.running"])() == (False, False)
    assert {fault.equipment for fault in plant.active_faults()} == {"LT_1", "P_1", "A_1"}


@pytest.mark.parametrize(
    ("entry", "at", "message"),
    [
        ("{equipment: L_9, fault: stuck}", "L_9", "expected an equipment's name, got L_9: did"),
        ("{equipment: L_1, fault: stcuk}", "stcuk", "got stcuk: did you mean stuck?"),
        ('{equipment: "*", fault: spilt}', "spilt", "expected a fault of some equipment, got"),
        ("{equipment: LT_1, fault: drift}", "drift", "expected a size of -1000 to 1000 m for"),
        (
            "{equipment: LT_1, fault: drift, size: 3 kg}",
            "3 kg",
            "expected a length such as '1.2 m', got '3 kg'",
        ),
        ("{equipment: L_1, fault: stuck, size: 3}", "3}", "expected no size or ramp for stuck"),
    ],
)
def test_plans_that_cannot_be(problems_of, what_stands_at, entry, at, message):
    """A planned fault that no equipment can have is an error at its place."""
    tail = f"faults:\n  - {entry}\n"
    (problem,) = problems_of(RIG, tail)
    assert message in str(problem)
    assert what_stands_at(RIG, problem.place, tail).lstrip('"').startswith(at)


def test_a_driven_input_cannot_break(build):
    """A fault of an input that another piece drives is refused, since it would not last."""
    plant = build(RIG + "M_1: {type: motor}\nM_2: {type: motor, powered: M_1.running}")
    with pytest.raises(SoftctlError, match=r"M_2.powered to be free .*, but M_1.running drives"):
        plant.inject(Fault("M_2", "power dip"))
    plant.inject(Fault("*", "power dip"))
    plant.step()
    assert "M_2" not in {fault.equipment for fault in plant.active_faults()}


def test_a_usual_size(build, run):
    """A blocked line without a size is blocked altogether."""
    plant = build(RIG)
    plant.write("P_1.run", True)
    plant.inject(Fault("P_1", "blocked line", at_ns=2 * S))
    run(plant, 3)
    assert plant.read("P_1.flow") == 0
