"""Sources, scales, bins, grippers and indexing tables."""

from __future__ import annotations

import itertools
import random
import statistics
from collections import Counter
from math import exp, log

import pytest

from softctl.plant import Fault

S = 10**9
PART = "weight: [8 kg, 12 kg], height: [0.2 m, 0.3 m], length: [0.3 m, 0.5 m]"
SOURCE = f"CS_1: {{type: part_source, to: K_1, interval: 4 s, {PART}, EXTRA}}\nK_1: {{type: bin}}\n"


def made(build, extra, seconds=8000, step="100 ms"):
    """Every part of a source that gives into a bin, in order."""
    plant = build(SOURCE.replace("EXTRA", extra), step)
    trace = plant.trace_parts()
    while plant.now_ns < seconds * S:
        plant.step()
    return list(trace.parts.values())


def gaps(parts):
    """The times between arrivals."""
    times = [part.since_s for part in parts]
    return [after - before for before, after in itertools.pairwise(times)]


def test_fixed_arrivals(build):
    """One each interval, from the start on."""
    parts = made(build, "arrivals: fixed", 100)
    assert [part.since_s for part in parts] == pytest.approx([4.0 * i for i in range(25)])
    assert [part.number for part in parts] == [1000001 + i for i in range(25)]


def test_uniform_arrivals(build):
    """Evenly spread between the least interval and as much above the mean."""
    found = gaps(made(build, "arrivals: uniform, least_interval: 1 s"))
    assert 1 <= min(found) < 1.1
    assert 6.9 < max(found) <= 7
    # Mean and deviation of an even spread over 6 s; 2,000 draws.
    assert statistics.fmean(found) == pytest.approx(4, abs=0.15)
    assert statistics.stdev(found) == pytest.approx(6 / 12**0.5, rel=0.05)


def test_exponential_arrivals(build):
    """Quantiles of the exponential distribution behind the least interval."""
    found = sorted(gaps(made(build, "arrivals: exponential, least_interval: 1 s")))
    assert min(found) >= 1
    assert statistics.fmean(found) == pytest.approx(4, rel=0.07)
    for share in (0.25, 0.5, 0.75, 0.9):
        quantile = found[int(share * len(found))]
        assert quantile == pytest.approx(1 - 3 * log(1 - share), rel=0.1)


def test_what_comes(build):
    """Weights, lengths and heights are evenly spread; a share is defective, light or heavy."""
    extra = "defects: 0.2, defect_weight: [13 kg, 15 kg], other_defect_weight: [5 kg, 7 kg]"
    parts = made(build, f"{extra}, kinds: 3")
    good = [part for part in parts if not part.is_defective]
    bad = [part for part in parts if part.is_defective]
    assert len(bad) / len(parts) == pytest.approx(0.2, abs=0.03)
    weights = [part.weight_kg for part in good]
    assert 8 <= min(weights) < 8.02
    assert 11.98 < max(weights) <= 12
    assert statistics.fmean(weights) == pytest.approx(10, abs=0.1)
    light = [part.weight_kg for part in bad if part.weight_kg < 8]
    heavy = [part.weight_kg for part in bad if part.weight_kg > 12]
    assert len(light) + len(heavy) == len(bad)
    assert len(light) / len(bad) == pytest.approx(0.5, abs=0.1)
    assert 5 <= min(light) < 5.1 < 6.9 < max(light) <= 7
    assert 13 <= min(heavy) < 13.1 < 14.9 < max(heavy) <= 15
    assert {part.kind for part in parts} == {1, 2, 3}
    lengths = [part.length_m for part in parts]
    assert abs(statistics.correlation(lengths, [part.weight_kg for part in parts])) < 0.06
    assert abs(statistics.correlation(lengths[1:], lengths[:-1])) < 0.06


def test_runs_repeat_at_any_step(build):
    """The same parts at the same times, whatever the step; others for another name."""
    extra = "arrivals: exponential"
    coarse, fine = made(build, extra, 200, "100 ms"), made(build, extra, 200, "10 ms")
    assert [part.number for part in coarse] == [part.number for part in fine]
    assert [part.weight_kg for part in coarse] == [part.weight_kg for part in fine]
    assert [p.since_s for p in coarse] == pytest.approx([p.since_s for p in fine], abs=1e-9)


def test_a_source_pauses_and_waits(build, run):
    """It gives nothing while it is off, empty or blocked, and goes on an interval later."""
    plant = build(SOURCE.replace("EXTRA", "most: 5"))
    run(plant, 1)
    assert plant.read("CS_1.made") == 1
    plant.inject(Fault("CS_1", "no parts", at_ns=S, for_ns=9 * S))
    run(plant, 9)
    assert plant.read("CS_1.made") == 1
    run(plant, 1)
    assert plant.read("CS_1.made") == 2
    plant.inject(Fault("K_1", "jam", at_ns=11 * S, for_ns=9 * S))
    run(plant, 8)
    assert plant.read("CS_1.waits") is True
    run(plant, 1.1)
    assert plant.read("CS_1.made") == 3
    assert plant.read("CS_1.waits") is False
    plant.write("CS_1.run", False)
    run(plant, 10)
    assert plant.read("CS_1.made") == 3
    plant.write("CS_1.run", True)
    run(plant, 30)
    assert plant.read("CS_1.made") == 5


SCALE = """
CS_1: {type: part_source, to: B_1, interval: 60 s, weight: [10 kg, 10 kg],
       height: [0.2 m, 0.2 m], length: [0.4 m, 0.4 m]}
M_1: {type: motor, run_up: 0 s}
B_1: {type: belt, drive: M_1, to: K_1, length: 3 m, speed: 0.2 m/s}
WT_1: {type: belt_scale, on: B_1, position: 1.5 m, platform: 0.8 m, range: [0 kg, 20 kg],
       lag: 0.4 s, stable_band: 10 g}
K_1: {type: bin}
"""


@pytest.mark.parametrize("step", ["1 ms", "10 ms", "50 ms"])
def test_a_scale_follows_its_load(build, run, step):
    """A ramp of the load comes as that of a first-order lag, and settles exponentially."""
    plant = build(SCALE, step)
    plant.write("M_1.run", True)
    # The front is on the platform from 4.5 s on, the tail 2 s later.
    run(plant, 6)
    assert plant.read("B_1.load[1]") == pytest.approx(10 * 1.5 / 2)
    ramp = 5 * (1.5 - 0.4 * (1 - exp(-1.5 / 0.4)))
    assert plant.read("WT_1.signal") == pytest.approx(ramp, abs=1e-9)
    run(plant, 1)
    plant.write("M_1.run", False)
    missing = 5 * 0.4 * (1 - exp(-2 / 0.4)) * exp(-0.5 / 0.4)
    assert plant.read("WT_1.signal") == pytest.approx(10 - missing, abs=1e-9)
    assert plant.read("WT_1.stable") is False
    run(plant, 2.5)
    assert plant.read("WT_1.signal") == pytest.approx(10, abs=0.01)
    assert plant.read("WT_1.stable") is True


@pytest.mark.parametrize(
    ("fault", "signal", "current"),
    [
        # NAMUR NE 43: failure at 3.6 mA and below, or 21 mA and above.
        (Fault("WT_1", "device failure"), -0.5, 3.6),
        (Fault("WT_1", "broken wire"), -5.0, 0.0),
        (Fault("WT_1", "short circuit"), 26.25, 25.0),
        (Fault("WT_1", "stuck"), 0.0, 4.0),
        (Fault("WT_1", "drift", size=-0.8), 9.2, 11.36),
        (Fault("WT_1", "drift", size=50.0), 20.625, 20.5),
    ],
)
def test_faults_of_a_scale(build, run, fault, signal, current):
    """Each fault with 10 kg on the platform."""
    plant = build(SCALE)
    plant.inject(fault)
    plant.write("M_1.run", True)
    run(plant, 7)
    plant.write("M_1.run", False)
    run(plant, 8)
    assert plant.read("WT_1.signal") == pytest.approx(signal, abs=1e-6)
    assert plant.read("WT_1.current") == pytest.approx(current, abs=1e-6)


def test_noise_of_a_scale(build, run):
    """Noise has its deviation and no bias."""
    plant = build(SCALE)
    plant.inject(Fault("WT_1", "noise", size=0.05))
    found = []
    plant.write("WT_1.load", 0.0)
    plant.write("M_1.run", True)
    run(plant, 7)
    plant.write("M_1.run", False)
    run(plant, 8)
    for _ in range(3000):
        plant.step()
        found.append(plant.read("WT_1.signal"))
    assert statistics.fmean(found) == pytest.approx(10, abs=0.005)
    assert statistics.stdev(found) == pytest.approx(0.05, rel=0.06)


@pytest.mark.parametrize(
    ("name", "free", "full"),
    [
        ("none", (False, True), (True, False)),
        ("broken wire", (False, False), (False, False)),
        ("dirty lens", (True, False), (True, False)),
        ("wrong contact sense", (True, False), (False, True)),
    ],
)
def test_the_eyes_of_a_bin(build, run, name, free, full):
    """The contacts `full` and `has_room` below the last place and with it taken."""
    plant = build(SOURCE.replace("EXTRA", "most: 9").replace("bin}", "bin, capacity: 2}"))
    if name != "none":
        plant.inject(Fault("K_1", name))
    contacts = plant.reader(["K_1.full", "K_1.has_room"])
    run(plant, 1)
    assert contacts() == free
    run(plant, 10)
    assert plant.read("K_1.count") == 2
    assert contacts() == full
    plant.write("K_1.empty", True)
    plant.step()
    assert contacts() == free


def test_a_bin_keeps_account(build, run):
    """Parts, weights and numbers of what came; it takes nothing when it is full or jammed."""
    plant = build(SOURCE.replace("EXTRA", "defects: 0.5").replace("bin}", "bin, capacity: 40}"))
    trace = plant.trace_parts()
    run(plant, 300)
    weights = [part.weight_kg for part in trace.parts.values()]
    assert len(weights) == 40
    assert plant.read("K_1.weight") == pytest.approx(sum(weights))
    assert plant.read("K_1.lightest") == min(weights)
    assert plant.read("K_1.heaviest") == max(weights)
    assert plant.read("K_1.defective") == sum(part.is_defective for part in trace.parts.values())
    assert plant.read("K_1.history[1]") == 1000033
    assert plant.read("K_1.history[8]") == 1000040
    assert plant.read("K_1.history[9]") == 1000009


def test_the_inlet_eye_of_a_bin(build, run):
    """It is covered for the passing time behind each part; dirt and a broken wire show."""
    plant = build(SOURCE.replace("EXTRA", "most: 9").replace("bin}", "bin, pass_time: 0.5 s}"))
    seen = []
    for _ in range(800):
        plant.step()
        seen.append(plant.read("K_1.passing"))
    assert seen.count(True) == pytest.approx(100, abs=2)
    assert seen[0] is True
    assert seen[60] is False
    for name, value in (("no inlet feedback", False), ("dirty inlet lens", True)):
        plant.clear_faults()
        plant.inject(Fault("K_1", name))
        for _ in range(400):
            plant.step()
            assert plant.read("K_1.passing") is value


GRIPPER = f"""
CS_1: {{type: part_source, to: B_1, interval: 8 s, {PART}}}
M_1: {{type: motor, run: true}}
B_1: {{type: belt, drive: M_1, to: K_1, length: 2 m, speed: 0.3 m/s}}
Y_1: {{type: cylinder, stroke: 80 mm, extend: true}}
ST_1: {{type: stopper, on: B_1, cylinder: Y_1, position: 1.7 m}}
Y_2: {{type: cylinder, stroke: 0.6 m, extend_time: 0.9 s, retract_time: 0.8 s}}
G_1: {{type: gripper, on: B_1, carried_by: Y_2, to: IT_1, position: 1.5 m, reach: 0.3 m}}
IT_1: {{type: index_table, to: K_2, nests: 6, unload_after: 2, index_time: 0.7 s}}
K_1: {{type: bin}}
K_2: {{type: bin}}
"""
JAWS = ["G_1.opened", "G_1.holding", "G_1.closed"]


def test_a_gripper_places_parts(build, run):
    """It takes a part from the belt and puts it into a nest; its switches tell part from none."""
    plant = build(GRIPPER)
    trace, jaws = plant.trace_parts(), plant.reader(JAWS)
    run(plant, 7)
    assert jaws() == (True, False, False)
    plant.write("G_1.close", True)
    run(plant, 0.5)
    assert jaws() == (False, True, False)
    assert [part.where for part in plant.parts()] == ["G_1"]
    plant.write("Y_2.extend", True)
    run(plant, 1)
    plant.write("G_1.close", False)
    run(plant, 0.3)
    assert jaws() == (True, False, False)
    assert plant.read("IT_1.loaded") is True
    assert plant.read("G_1.placed") == 1
    plant.write("G_1.close", True)
    run(plant, 0.3)
    assert jaws() == (False, False, True)
    assert [move.where for move in trace.moves(1000001)] == ["B_1", "G_1", "IT_1"]


@pytest.mark.parametrize(
    ("fault", "expected", "dropped"),
    [
        (Fault("G_1", "no opened feedback"), [(False, False, False), (False, True, False)], 0),
        (Fault("G_1", "no holding feedback"), [(True, False, False), (False, False, False)], 0),
        (Fault("G_1", "no closed feedback"), [(True, False, False), (False, True, False)], 0),
        (Fault("G_1", "stuck"), [(True, False, False), (True, False, False)], 0),
        (Fault("G_1", "slow", size=5.0), [(True, False, False), (False, False, False)], 0),
        (Fault("G_1", "lost supply"), [(True, False, False), (True, False, False)], 0),
        (Fault("G_1", "lost grip", at_ns=int(7.25 * S)), [(True, False, False)] * 2, 1),
        (Fault("G_1", "lost supply", at_ns=int(7.25 * S)), [(True, False, False)] * 2, 1),
    ],
)
def test_faults_of_a_gripper(build, run, fault, expected, dropped):
    """Its switches before and 0.5 s after it is told to close on a part; what falls is counted."""
    plant = build(GRIPPER)
    trace = plant.trace_parts()
    plant.inject(fault)
    run(plant, 7)
    assert plant.read("G_1.dropped") == 0
    jaws = plant.reader(JAWS)
    before = jaws()
    plant.write("G_1.close", True)
    run(plant, 0.5)
    if fault.name == "lost grip":
        expected = [expected[0], (False, False, True)]
    assert [before, jaws()] == expected
    assert plant.read("G_1.dropped") == dropped
    assert (trace.parts[1000001].where == "floor") is (dropped == 1)


@pytest.mark.parametrize("step", ["1 ms", "10 ms", "50 ms"])
def test_an_indexing_table(build, run, step):
    """Each edge turns it by one pitch in its time; the part comes out two pitches on."""
    table = f"""
    CS_1: {{type: part_source, to: IT_1, interval: 0.1 s, most: 3, {PART}}}
    IT_1: {{type: index_table, to: K_1, nests: 6, unload_after: 2, index_time: 0.73 s}}
    K_1: {{type: bin}}
    """
    plant = build(table, step)
    run(plant, 1)
    assert plant.read("IT_1.count") == 1
    for pitch in range(1, 4):
        plant.write("IT_1.index", True)
        run(plant, 0.5)
        assert plant.read("IT_1.in_position") is False
        plant.write("IT_1.index", False)
        run(plant, 0.5)
        assert plant.read("IT_1.in_position") is True
        assert plant.read("IT_1.pitches") == pitch
        assert plant.read("IT_1.reached_at_s") == pytest.approx(pitch + 0.73, abs=1e-9)
    assert plant.read("K_1.received") == 2
    assert plant.read("K_1.last.at_s") == pytest.approx(3.73, abs=1e-9)
    assert plant.read("K_1.history[1]") == 1000001
    assert plant.read("IT_1.count") == 1


def test_faults_of_an_indexing_table(build, run):
    """Stuck, slow, without feedback, and with eyes that see nothing."""
    plant = build(
        GRIPPER.replace("to: IT_1, position", "to: K_1, position")
        .replace("B_1: {type: belt, drive: M_1, to: K_1", "B_1: {type: belt, drive: M_1, to: IT_1")
        .replace("extend: true", "extend: false")
    )
    run(plant, 7.5)
    assert plant.read("IT_1.loaded") is True
    plant.inject(Fault("IT_1", "no part seen", at_ns=plant.now_ns, for_ns=S))
    plant.step()
    assert plant.read("IT_1.loaded") is False
    plant.clear_faults()
    plant.inject(Fault("IT_1", "stuck", at_ns=plant.now_ns, for_ns=S))
    plant.inject(Fault("IT_1", "slow", at_ns=plant.now_ns, size=2.0))
    plant.write("IT_1.index", True)
    run(plant, 1)
    assert plant.read("IT_1.turned") == 0
    assert plant.read("IT_1.in_position") is False
    run(plant, 0.7)
    assert plant.read("IT_1.turned") == pytest.approx(0.5, abs=0.02)
    plant.clear_faults()
    run(plant, 0.4)
    assert plant.read("IT_1.in_position") is True
    plant.inject(Fault("IT_1", "no feedback"))
    plant.step()
    assert plant.read("IT_1.in_position") is False


def test_a_broken_blade_stops_nothing(build, run):
    """A stopper whose blade is broken lets parts pass whatever its cylinder does."""
    plant = build(GRIPPER)
    plant.inject(Fault("ST_1", "broken blade", at_ns=8 * S))
    run(plant, 7.9)
    assert plant.read("K_1.received") == 0
    run(plant, 2)
    assert plant.read("K_1.received") == 1


@pytest.mark.parametrize(
    ("fault", "switches", "position"),
    [
        (Fault("Y_2", "stuck"), (False, True), 0.0),
        (Fault("Y_2", "slow", size=4.0), (False, False), 0.6 * 1.5 / 3.6),
        (Fault("Y_2", "lost supply"), (False, True), 0.0),
        (Fault("Y_2", "blocked", size=0.2), (False, False), 0.2),
        (Fault("Y_2", "no extended feedback"), (False, False), 0.6),
        (Fault("Y_2", "no retracted feedback"), (True, False), 0.6),
        (Fault("Y_2", "extended switch shorted"), (True, False), 0.6),
        (Fault("Y_2", "retracted switch shorted"), (True, True), 0.6),
    ],
)
def test_faults_of_a_cylinder(build, run, fault, switches, position):
    """End switches and place of a rod 1.5 s after it was told to extend."""
    plant = build(GRIPPER)
    plant.inject(fault)
    plant.write("Y_2.extend", True)
    run(plant, 1.5)
    assert plant.reader(["Y_2.extended", "Y_2.retracted"])() == switches
    assert plant.read("Y_2.position") == pytest.approx(position)
    assert plant.read("Y_2.pressurised") is (fault.name != "lost supply")
    plant.clear_faults()
    run(plant, 1)
    assert plant.reader(["Y_2.extended", "Y_2.retracted"])() == (True, False)


RIG = (
    GRIPPER
    + """
X_1: {type: pusher, on: B_1, cylinder: Y_1, to: K_1, position: 1 m, face: 0.3 m,
      contact: 0.01 m, over: 0.07 m}
PE_1: {type: photo_eye, on: B_1, position: 0.9 m, switching: light}
WT_1: {type: belt_scale, on: B_1, position: 0.9 m, platform: 0.5 m, range: [0 kg, 20 kg]}
EN_1: {type: encoder, on: B_1, pitch: 70 mm}
"""
)
# Every fault of every discrete machine has its test, here or with the belts.
FAULTS = {
    "CS_1": {"no parts"},
    "B_1": {"stuck", "slip", "jam", "parts taken off"},
    "ST_1": {"broken blade"},
    "X_1": set(),
    "K_1": {"jam", "broken wire", "dirty lens", "wrong contact sense"}
    | {"no inlet feedback", "dirty inlet lens"},
    "IT_1": {"stuck", "slow", "no feedback", "no part seen"},
    "G_1": {"lost supply", "stuck", "slow", "lost grip"}
    | {f"no {name} feedback" for name in ("opened", "holding", "closed")},
    "Y_2": {"lost supply", "stuck", "slow", "blocked"}
    | {f"no {name} feedback" for name in ("extended", "retracted")}
    | {f"{name} switch shorted" for name in ("extended", "retracted")},
    "PE_1": {"lost supply", "broken wire", "short circuit", "stuck", "dirty lens", "misaligned"}
    | {"wrong contact sense"},
    "WT_1": {"device failure", "broken wire", "short circuit", "stuck", "drift", "noise"},
    "EN_1": {"broken wire", "short circuit", "stuck", "slip"},
}


def test_every_fault_has_its_test(build):
    """The faults of each discrete machine are those that the tables here break."""
    plant = build(RIG)
    assert {name: set(plant.faults(name)) for name in FAULTS} == FAULTS


def test_the_converter_of_a_scale(build, run):
    """The signal is a whole number of counts; without `counts` it is not."""
    for counts, step_kg in (("", 0.0), (", counts: 400", 0.05)):
        plant = build(SCALE.replace("stable_band: 10 g", f"stable_band: 10 g{counts}"))
        plant.inject(Fault("WT_1", "drift", size=0.11))
        plant.write("M_1.run", True)
        run(plant, 7)
        plant.write("M_1.run", False)
        run(plant, 8)
        signal = plant.read("WT_1.signal")
        assert signal == pytest.approx(10.1 if step_kg else 10.11, abs=1e-6)
        assert plant.read("WT_1.current") == pytest.approx(4 + 16 * signal / 20)


@pytest.mark.parametrize("seed", range(3))
def test_no_part_is_lost_by_gripper_and_table(build, seed):
    """Whatever they are told, each part made is on a machine, in a bin or on the floor."""
    chance = random.Random(seed)
    plant = build(GRIPPER.replace("interval: 8 s", "interval: 3 s"), "20 ms")
    trace = plant.trace_parts()
    drive = plant.writer(["Y_1.extend", "Y_2.extend", "G_1.close", "IT_1.index", "M_1.run"])
    counts = ["CS_1.made", "K_1.received", "K_2.received", "G_1.dropped"]
    read = plant.reader([*counts, "IT_1.count", "B_1.count", "G_1.count"])
    # Stopper, carrying cylinder, jaws, table, belt: a cycle, in which much goes wrong.
    cycle = ["10001", "10101", "11101", "11001", "10011"]
    for number in range(400):
        wanted = (one == "1" for one in cycle[number % len(cycle)])
        drive([one != (chance.random() < 0.08) for one in wanted])
        for _ in range(chance.randrange(40, 80)):
            plant.step()
            made, good, placed, dropped, *held = read()
            assert made == good + placed + dropped + sum(held)
    assert min(good, placed, dropped) > 3
    ends = Counter(part.where for part in trace.parts.values())
    assert (ends["K_1"], ends["K_2"], ends["floor"]) == (good, placed, dropped)
    for number in trace.parts:
        ways = [move.where for move in trace.moves(number)]
        assert ways == [way for way in ("B_1", "G_1", "IT_1", "K_1", "K_2", "floor") if way in ways]
