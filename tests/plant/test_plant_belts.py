"""Belts: parts that ride, queue, are stopped, pushed off and handed on."""

from __future__ import annotations

import itertools

import pytest

from softctl.plant import Fault

S = 10**9
STEPS = ["1 ms", "10 ms", "50 ms"]
SOURCE = """
CS_1: {type: part_source, to: B_1, interval: 5 s, weight: [9 kg, 11 kg],
       height: [0.3 m, 0.3 m], length: [0.4 m, 0.4 m], most: 4}
"""
ONE = (
    SOURCE
    + """
M_1: {type: motor, run_up: 0.83 s, run_down: 0.61 s}
B_1: {type: belt, drive: M_1, to: K_1, length: 4 m, speed: 0.31 m/s}
PE_1: {type: photo_eye, on: B_1, position: 1.37 m, height: 0.12 m, switching: light}
PE_2: {type: photo_eye, on: B_1, position: 3.9 m, height: 0.12 m, switching: dark}
K_1: {type: bin}
"""
)
PUSHER = (
    ONE
    + """
Y_1: {type: cylinder, stroke: 0.5 m, extend_time: 0.37 s, retract_time: 0.43 s}
X_1: {type: pusher, on: B_1, cylinder: Y_1, to: R_1, position: 2.5 m, face: 0.3 m,
      contact: 0.06 m, over: 0.41 m}
R_1: {type: bin, capacity: 3}
"""
)
STOPPER = (
    ONE
    + """
Y_1: {type: cylinder, stroke: 0.06 m, extend_time: 0.21 s, retract_time: 0.17 s}
ST_1: {type: stopper, on: B_1, cylinder: Y_1, position: 2.9 m, closed_from: 23 mm}
"""
)
TWO = (
    SOURCE.replace("interval: 5 s", "interval: 2 s")
    + """
M_1: {type: motor, run_up: 0 s, run_down: 0 s}
M_2: {type: motor, run_up: 0 s, run_down: 0 s}
B_1: {type: belt, drive: M_1, to: B_2, length: 2 m, speed: 0.31 m/s}
B_2: {type: belt, drive: M_2, to: K_1, length: 2.5 m, speed: 0.47 m/s}
PE_1: {type: photo_eye, on: B_1, position: 1.95 m, switching: light}
PE_2: {type: photo_eye, on: B_2, position: 0.9 m, switching: light}
K_1: {type: bin}
"""
)


def where(plant):
    """The parts' numbers, from the first made on, with their belts and places."""
    return {part.number - 1000000: (part.where, part.place_m) for part in plant.parts()}


@pytest.mark.parametrize("step", STEPS)
def test_passing_times_are_distance_over_speed(build, run, step):
    """Fronts and tails pass at v t minus half the run-up's v t, to a nanometre at any step."""
    plant = build(ONE, step)
    plant.write("M_1.run", True)
    # Kinematics: a run-up along a straight line costs half its time.
    lost = 0.83 / 2
    run(plant, 3.5)
    assert plant.read("PE_1.contact") is True
    run(plant, 0.75)
    assert plant.read("PE_1.contact") is False
    assert plant.read("PE_1.changed_at_s") == pytest.approx((1.37 - 0.2) / 0.31 + lost, abs=1e-9)
    run(plant, 1.25)
    assert plant.read("PE_1.contact") is True
    assert plant.read("PE_1.changed_at_s") == pytest.approx((1.37 + 0.2) / 0.31 + lost, abs=1e-9)
    # The second came at 5 s.
    run(plant, 3.75)
    assert plant.read("PE_1.covered") is True
    assert plant.read("PE_1.changed_at_s") == pytest.approx(5 + (1.37 - 0.2) / 0.31, abs=1e-9)
    # The first is handed over at its middle, and its tail passes the eye near the outfeed.
    run(plant, 4.4)
    assert plant.read("K_1.received") == 1
    assert plant.read("K_1.last.at_s") == pytest.approx(4 / 0.31 + lost, abs=1e-9)
    assert plant.read("PE_2.covered") is False
    assert plant.read("PE_2.changed_at_s") == pytest.approx((3.9 + 0.2) / 0.31 + lost, abs=1e-9)


@pytest.mark.parametrize("step", STEPS)
def test_coasting_down(build, run, step):
    """A belt that is switched off carries its parts on by half the run-down."""
    plant = build(ONE, step)
    plant.write("M_1.run", True)
    run(plant, 4)
    plant.write("M_1.run", False)
    run(plant, 1)
    way = 0.31 * (4 - 0.83 / 2 + 0.61 / 2)
    assert plant.read("B_1.travelled") == pytest.approx(way, abs=1e-12)
    assert where(plant) == {1: ("B_1", pytest.approx(way, abs=1e-12))}


@pytest.mark.parametrize("step", STEPS)
def test_a_queue_at_a_stopper(build, run, step):
    """Parts close up without a gap at a closed blade, and leave it together as it opens."""
    plant = build(STOPPER, step)
    plant.write("M_1.run", True)
    plant.write("Y_1.extend", True)
    run(plant, 30)
    assert where(plant) == {
        n: ("B_1", pytest.approx(2.7 - 0.4 * (n - 1), abs=1e-12)) for n in range(1, 5)
    }
    plant.write("Y_1.extend", False)
    run(plant, 1)
    # It opens when the rod has come back from 60 to 23 mm.
    moved = 0.31 * (1 - 0.17 * (60 - 23) / 60)
    assert where(plant)[4] == ("B_1", pytest.approx(1.5 + moved, abs=1e-12))
    assert where(plant)[1] == ("B_1", pytest.approx(2.7 + moved, abs=1e-12))


@pytest.mark.parametrize("step", ["1 ms", "50 ms"])
@pytest.mark.parametrize(("closed_from", "is_stopped"), [("17 mm", True), ("23 mm", False)])
def test_a_blade_just_before_or_behind_a_front(build, run, step, closed_from, is_stopped):
    """The blade's time inside the step decides whether it stops the part."""
    # The front is there at 2.7 / 0.31 + 0.415 = 9.1247 s, the blade at 9.1095 or 9.1305 s.
    plant = build(STOPPER.replace("23 mm", closed_from), step)
    plant.write("M_1.run", True)
    run(plant, 9.05)
    plant.write("Y_1.extend", True)
    run(plant, 2)
    assert (where(plant)[1][1] == pytest.approx(2.7)) is is_stopped


@pytest.mark.parametrize("step", STEPS)
def test_a_part_is_pushed_off(build, run, step):
    """What lies before the plate goes into the bin; what comes behind waits for the plate."""
    plant = build(PUSHER, step)
    plant.write("M_1.run", True)
    run(plant, 8.5)
    assert where(plant)[1][1] == pytest.approx(0.31 * (8.5 - 0.415))
    plant.write("Y_1.extend", True)
    run(plant, 0.5)
    assert plant.read("R_1.received") == 1
    assert plant.read("R_1.last.id") == 1000001
    assert plant.read("R_1.last.at_s") == pytest.approx(8.5 + 0.37 * 0.41 / 0.5, abs=1e-9)
    assert plant.read("Y_1.extended") is True
    run(plant, 6)
    assert where(plant)[2] == ("B_1", pytest.approx(2.5 - 0.15 - 0.2, abs=1e-12))
    plant.write("Y_1.extend", False)
    run(plant, 1)
    # The plate has left the belt when the rod is back at 60 mm.
    moved = 0.31 * (1 - 0.43 * (0.5 - 0.06) / 0.5)
    assert where(plant)[2] == ("B_1", pytest.approx(2.15 + moved, abs=1e-12))


@pytest.mark.parametrize("step", STEPS)
def test_a_push_beside_the_middle_holds_the_part(build, run, step):
    """A part that the plate only overlaps stands still until it leaves, and stays on the belt."""
    plant = build(PUSHER, step)
    plant.write("M_1.run", True)
    run(plant, 9.5)
    plant.write("Y_1.extend", True)
    run(plant, 2)
    # Held from the time at which the rod is at 60 mm.
    held = 0.31 * (9.5 - 0.415 + 0.37 * 0.06 / 0.5)
    assert held > 2.5 + 0.15
    assert where(plant)[1] == ("B_1", pytest.approx(held, abs=1e-12))
    plant.write("Y_1.extend", False)
    run(plant, 8)
    assert plant.read("R_1.received") == 0
    assert list(plant.read("K_1.history"))[:2] == [1000001, 1000002]


@pytest.mark.parametrize("step", STEPS)
def test_a_full_bin_stops_the_pusher(build, run, step):
    """Behind a full bin one part stands before the plate, and the rod gets no further."""
    plant = build(PUSHER.replace("capacity: 3", "capacity: 1"), step)
    plant.write("M_1.run", True)
    times = [8.5, 13.0, 18.0]
    for time in times:
        run(plant, time - plant.now_ns / 1e9)
        plant.write("Y_1.extend", True)
        run(plant, 1)
        is_out = plant.read("Y_1.extended")
        plant.write("Y_1.extend", False)
        run(plant, 0.5)
        # The second is pushed over and stands before the full bin; the third meets it.
        assert is_out is (time == 8.5)
    assert plant.read("R_1.full") is True
    assert plant.read("R_1.has_room") is False
    assert where(plant)[2] == ("X_1", 0)
    plant.write("R_1.empty", True)
    run(plant, 0.1)
    assert plant.read("R_1.emptied") + plant.read("R_1.count") == 2
    assert 2 not in where(plant)


@pytest.mark.parametrize("step", STEPS)
def test_from_belt_to_belt(build, run, step):
    """A part goes on at the next belt's speed from the time at which it passes the joint."""
    plant = build(TWO, step)
    for motor in ("M_1", "M_2"):
        plant.write(f"{motor}.run", True)
    run(plant, 7)
    # The tail leaves the first belt at the speed of the second.
    assert plant.read("PE_1.covered") is False
    tail = 2 / 0.31 + (1.95 - 1.8) / 0.47
    assert plant.read("PE_1.changed_at_s") == pytest.approx(tail, abs=1e-9)
    run(plant, 1)
    joint = 2 / 0.31
    assert where(plant)[1] == ("B_2", pytest.approx(0.47 * (8 - joint), abs=1e-9))
    assert plant.read("PE_2.changed_at_s") == pytest.approx(joint + 0.7 / 0.47, abs=1e-9)
    run(plant, 5)
    assert plant.read("K_1.received") == 1
    assert plant.read("K_1.last.at_s") == pytest.approx(joint + 2.5 / 0.47, abs=1e-9)


@pytest.mark.parametrize("step", ["1 ms", "50 ms"])
def test_a_queue_across_a_joint(build, run, step):
    """Behind a belt that stands, parts close up on both belts; none is lost when it goes on."""
    plant = build(TWO, step)
    plant.write("M_1.run", True)
    run(plant, 30)
    # The first has its front on the belt that stands, its middle at the joint: handed over.
    places = where(plant)
    assert places[1] == ("B_2", pytest.approx(0, abs=0.47 * plant.step_ns / 1e9))
    for n in (2, 3, 4):
        assert places[n] == ("B_1", pytest.approx(2 - 0.4 * (n - 1), abs=1e-9))
    plant.write("M_2.run", True)
    run(plant, 30)
    assert plant.read("K_1.received") == 4
    assert list(plant.read("K_1.history"))[:5] == [1000001, 1000002, 1000003, 1000004, 0]


MERGE = """
CS_1: {type: part_source, to: B_1, interval: 1.3 s, weight: [1 kg, 1 kg],
       height: [0.3 m, 0.3 m], length: [0.2 m, 0.5 m], most: 9, series: 1}
CS_2: {type: part_source, to: B_2, interval: 1.7 s, weight: [1 kg, 1 kg],
       height: [0.3 m, 0.3 m], length: [0.2 m, 0.5 m], most: 9, series: 2}
CS_3: {type: part_source, to: B_3, interval: 7.9 s, weight: [1 kg, 1 kg],
       height: [0.3 m, 0.3 m], length: [0.2 m, 0.5 m], most: 9, series: 3}
M_1: {type: motor, run: true}
B_1: {type: belt, drive: M_1, to: B_3, length: 1.5 m, speed: 0.4 m/s}
B_2: {type: belt, drive: M_1, to: B_3, length: 2.5 m, speed: 0.3 m/s}
B_3: {type: belt, drive: M_1, to: K_1, length: 3 m, speed: 0.5 m/s}
K_1: {type: bin}
"""


@pytest.mark.parametrize("step", ["10 ms", "50 ms"])
def test_belts_that_merge(build, step):
    """Two belts and a source share one infeed: nobody starves, and no parts overlap."""
    plant = build(MERGE, step)
    trace = plant.trace_parts()
    while plant.read("K_1.received") < 27 and plant.now_ns < 200 * S:
        plant.step()
        parts = plant.parts()
        for belt in ("B_1", "B_2", "B_3"):
            check_gaps([part for part in parts if part.where == belt])
        check_infeed(parts, {"B_1": 1.5, "B_2": 2.5}, "B_3")
    assert len(trace.parts) == 27
    order = [number // 1000000 for number in trace.parts]
    assert sorted(order) == [1] * 9 + [2] * 9 + [3] * 9
    for number, part in trace.parts.items():
        assert part.where == "K_1"
        assert [move.where for move in trace.moves(number)][-2:] == ["B_3", "K_1"]


def check_infeed(parts, lengths, belt):
    """One part at most reaches over the infeed, to the tail of the last part there."""
    last = [part.place_m - 0.5 * part.length_m for part in parts if part.where == belt][-1:]
    over = [
        part.place_m + 0.5 * part.length_m - lengths[part.where]
        for part in parts
        if part.where in lengths
    ]
    reaching = [way for way in over if way > 1e-9]
    assert len(reaching) <= 1
    assert not reaching or not last or reaching[0] <= last[0] + 1e-9


def test_two_that_give_at_the_same_time(build, run):
    """Of two sources with the same times one waits for the other's part."""
    twins = """
    CS_1: {type: part_source, to: B_1, interval: 9 s, weight: [1 kg, 1 kg], series: 1,
           height: [0.3 m, 0.3 m], length: [0.3 m, 0.3 m], most: 3}
    CS_2: {type: part_source, to: B_1, interval: 9 s, weight: [1 kg, 1 kg], series: 2,
           height: [0.3 m, 0.3 m], length: [0.3 m, 0.3 m], most: 3}
    M_1: {type: motor, run: true, run_up: 0 s}
    B_1: {type: belt, drive: M_1, to: K_1, length: 2 m, speed: 0.5 m/s}
    K_1: {type: bin}
    """
    plant = build(twins)
    for _ in range(4000):
        plant.step()
        check_gaps(plant.parts())
    assert plant.read("K_1.received") == 6
    assert [number // 1000000 for number in plant.read("K_1.history")[:6]] == [1, 2] * 3


def check_gaps(parts):
    """Fronts stay behind the tails of the parts ahead."""
    for ahead, behind in itertools.pairwise(parts):
        gap = ahead.place_m - behind.place_m - 0.5 * (ahead.length_m + behind.length_m)
        assert gap >= -1e-9, (ahead, behind)


@pytest.mark.parametrize("step", ["10 ms", "50 ms"])
def test_a_ring_of_belts(build, step):
    """Parts go round for ever on belts that end where they began, each always in one place."""
    ring = """
    CS_1: {type: part_source, to: B_1, interval: 3 s, weight: [1 kg, 1 kg],
           height: [0.3 m, 0.3 m], length: [0.3 m, 0.3 m], most: 5}
    M_1: {type: motor, run: true}
    B_1: {type: belt, drive: M_1, to: B_2, length: 2 m, speed: 0.4 m/s}
    B_2: {type: belt, drive: M_1, to: B_3, length: 1.5 m, speed: 0.4 m/s}
    B_3: {type: belt, drive: M_1, to: B_1, length: 1 m, speed: 0.4 m/s}
    """
    plant = build(ring, step)
    made = plant.reader(["CS_1.made"])
    while plant.now_ns < 60 * S:
        plant.step()
        parts = plant.parts()
        assert len({part.number for part in parts}) == len(parts) == made()[0]
        for belt in ("B_1", "B_2", "B_3"):
            check_gaps([part for part in parts if part.where == belt])
    assert made() == (5,)
    assert plant.read("B_3.handed_on") > 15


def test_faults_of_a_belt(build, run):
    """A stuck belt, one that slips, and a jam at a place."""
    plant = build(ONE)
    plant.write("M_1.run", True)
    run(plant, 3)
    plant.inject(Fault("B_1", "stuck", at_ns=plant.now_ns, for_ns=2 * S))
    place = where(plant)[1][1]
    run(plant, 2)
    assert where(plant)[1][1] == place
    assert plant.read("M_1.running") is True
    assert plant.read("B_1.speed") == 0
    plant.inject(Fault("B_1", "slip", at_ns=plant.now_ns, for_ns=2 * S, size=0.25))
    run(plant, 2)
    assert where(plant)[1][1] == pytest.approx(place + 2 * 0.31 * 0.75)
    plant.inject(Fault("B_1", "jam", at_ns=plant.now_ns, for_ns=20 * S, size=2.0))
    run(plant, 20)
    assert [place for _, place in where(plant).values()] == pytest.approx([1.8, 1.4, 1.0, 0.6])
    run(plant, 20)
    assert plant.read("K_1.received") == 4


def test_parts_taken_off(build, run):
    """Somebody takes the parts off: they are counted, and the trace says that they are gone."""
    plant = build(ONE)
    plant.write("M_1.run", True)
    trace = plant.trace_parts()
    run(plant, 7)
    plant.inject(Fault("B_1", "parts taken off", at_ns=plant.now_ns, for_ns=S))
    run(plant, 1)
    assert plant.parts() == []
    assert plant.read("B_1.taken_off") == 2
    assert [part.where for part in trace.parts.values()] == ["floor", "floor"]
    run(plant, 3)
    assert list(where(plant)) == [3]


@pytest.mark.parametrize(
    ("name", "free", "covered"),
    [
        ("lost supply", False, False),
        ("broken wire", False, False),
        ("short circuit", True, True),
        ("stuck", True, True),
        ("dirty lens", False, False),
        ("misaligned", True, True),
        ("wrong contact sense", False, True),
    ],
)
def test_faults_of_a_photo_eye(build, run, name, free, covered):
    """Each fault of a healthy eye that switches light, with its beam free and covered."""
    plant = build(ONE)
    plant.inject(Fault("PE_1", name))
    plant.write("M_1.run", True)
    run(plant, 1)
    assert plant.read("PE_1.contact") is free
    run(plant, 3.5)
    assert plant.read("PE_1.contact") is covered
    plant.clear_faults()
    plant.step()
    assert plant.read("PE_1.contact") is False


def test_a_low_part_passes_below_the_beam(build, run):
    """A beam sees parts that are at least as high as it is."""
    plant = build(
        ONE.replace("height: 0.12 m, switching: light", "height: 0.31 m, switching: light")
    )
    plant.write("M_1.run", True)
    run(plant, 4.5)
    assert plant.read("PE_1.covered") is False
    run(plant, 15)
    assert plant.read("PE_1.passed") == 0
    assert plant.read("PE_2.passed") == 2


@pytest.mark.parametrize("step", STEPS)
def test_pulses_of_a_wheel(build, run, step):
    """Edges come each half pitch, at their times; a slipping or stuck wheel misses them."""
    plant = build(ONE + "EN_1: {type: encoder, on: B_1, pitch: 70 mm, rollover: 0.98 m}", step)
    plant.write("M_1.run", True)
    run(plant, 10)
    way = 0.31 * (10 - 0.415)
    halves = int(way / 0.035)
    assert plant.read("EN_1.pulses") == halves // 2
    assert plant.read("EN_1.pulse") is (halves % 2 == 0)
    # The counter starts again at its rollover.
    assert plant.read("EN_1.counted") == pytest.approx(halves * 0.035 % 0.98, abs=1e-9)
    assert plant.read("EN_1.changed_at_s") == pytest.approx(halves * 0.035 / 0.31 + 0.415, abs=1e-9)
    plant.inject(Fault("EN_1", "stuck", for_ns=2 * S, at_ns=10 * S))
    run(plant, 2)
    assert plant.read("EN_1.pulses") == halves // 2
    plant.inject(Fault("EN_1", "slip", size=0.5, at_ns=12 * S))
    run(plant, 2)
    assert plant.read("EN_1.pulses") - halves // 2 == pytest.approx(0.31 / 0.07, abs=1)
    for name, value in (("broken wire", False), ("short circuit", True)):
        plant.clear_faults()
        plant.inject(Fault("EN_1", name))
        plant.step()
        counted = plant.read("EN_1.counted")
        run(plant, 1)
        assert plant.read("EN_1.pulse") is value
        assert plant.read("EN_1.counted") == counted
