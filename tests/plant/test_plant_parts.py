"""Random layouts of belts, pushers and bins: parts are conserved, in order, never on each other."""

from __future__ import annotations

import itertools
import re
from collections import Counter

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from softctl.errors import ProblemsError
from softctl.plant import Fault

JOINT = """
CS_1: {type: part_source, to: B_1, interval: 0.5 s, weight: [1 kg, 1 kg],
       height: [0.3 m, 0.3 m], length: [0.2 m, 0.5 m]}
M_1: {type: motor, run: true}
M_2: {type: motor}
B_1: {type: belt, drive: M_1, to: B_2, length: 2 m, speed: FIRST m/s}
B_2: {type: belt, drive: M_2, to: K_1, length: 2.5 m, speed: SECOND m/s}
K_1: {type: bin}
"""
CYLINDER = "stroke: 0.5 m, extend_time: 0.3 s, retract_time: 0.4 s"


@st.composite
def layouts(draw):
    """Two to five belts, each to a later one or a bin, with sources, pushers and stoppers."""
    count = draw(st.integers(2, 5))
    lines = ["K_0: {type: bin}", f"K_1: {{type: bin, capacity: {draw(st.integers(1, 9))}}}"]
    driven = []
    for i in range(count):
        to = draw(st.sampled_from([*(f"B_{k}" for k in range(i + 1, count)), "K_0"]))
        length, speed = draw(st.integers(15, 40)) / 10, draw(st.sampled_from([0.2, 0.37, 0.5]))
        lines.append(f"M_{i}: {{type: motor, run_up: {draw(st.integers(0, 2))} s}}")
        lines.append(
            f"B_{i}: {{type: belt, drive: M_{i}, to: {to}, length: {length} m, speed: {speed} m/s}}"
        )
        driven.append(f"M_{i}.run")
        if i == 0 or draw(st.booleans()):
            lines.append(
                f"CS_{i}: {{type: part_source, to: B_{i}, series: {i + 1}, "
                f"interval: {draw(st.sampled_from([0.6, 2.5]))} s, "
                f"arrivals: {draw(st.sampled_from(['fixed', 'uniform', 'exponential']))}, "
                "weight: [1 kg, 9 kg], height: [0.1 m, 0.4 m], length: [0.15 m, 0.6 m]}"
            )
        kind = draw(st.sampled_from(["nothing", "pusher", "stopper"]))
        place = round(length * draw(st.sampled_from([0.5, 0.6])), 2)
        if kind == "pusher":
            end = draw(st.sampled_from([*(f"B_{k}" for k in range(i + 1, count)), "K_1"]))
            lines.append(
                f"X_{i}: {{type: pusher, on: B_{i}, cylinder: Y_{i}, to: {end}, "
                f"position: {place} m, face: 0.3 m, contact: 0.05 m, over: 0.4 m}}"
            )
        elif kind == "stopper":
            lines.append(
                f"X_{i}: {{type: stopper, on: B_{i}, cylinder: Y_{i}, position: {place} m}}"
            )
        if kind != "nothing":
            lines.append(f"Y_{i}: {{type: cylinder, {CYLINDER}}}")
            driven.append(f"Y_{i}.extend")
    return count, "\n".join(lines), driven


def check_belt(parts):
    """In order, one behind the other."""
    for ahead, behind in itertools.pairwise(parts):
        gap = ahead.place_m - behind.place_m - 0.5 * (ahead.length_m + behind.length_m)
        assert gap >= -1e-9, (ahead, behind)


def check_joints(parts, joints):
    """One part at most reaches over an infeed, and no further than to the last part there."""
    for receiver in {to for _, to in joints.values()}:
        fronts = [
            part.place_m + 0.5 * part.length_m - joints[part.where][0]
            for part in parts
            if joints.get(part.where, (0, ""))[1] == receiver
        ]
        reaching = [front for front in fronts if front > 1e-9]
        assert len(reaching) <= 1
        tails = [part.place_m - 0.5 * part.length_m for part in parts if part.where == receiver]
        assert not reaching or not tails or reaching[0] <= tails[-1] + 1e-9


@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(layout=layouts(), step=st.sampled_from(["10 ms", "50 ms"]), data=st.data())
def test_random_layouts(build, layout, step, data):
    """Whatever is joined and driven, each part made is in exactly one place and passes in order."""
    count, equipment, driven = layout
    plant = build(equipment, step)
    trace = plant.trace_parts()
    sources = [f"CS_{i}" for i in range(count) if f"CS_{i}:" in equipment]
    made = plant.reader([f"{name}.made" for name in sources])
    received = plant.reader(["K_0.received", "K_1.received"])
    drive = plant.writer(driven)
    before: dict[str, list[int]] = {}
    found = re.findall(r"(B_.): .* to: (B_.), length: (.*) m, speed", equipment)
    joints = {name: (float(length), to) for name, to, length in found}
    if data.draw(st.booleans()):
        plant.inject(Fault("B_0", "jam", at_ns=3 * 10**9, for_ns=6 * 10**9, size=0.9))
    for _ in range(12):
        # Drives mostly run.
        drive(
            data.draw(
                st.lists(st.integers(0, 3).map(bool), min_size=len(driven), max_size=len(driven))
            )
        )
        for _ in range(1_500_000_000 // plant.step_ns):
            plant.step()
            parts = plant.parts()
            numbers = [part.number for part in parts]
            assert len(set(numbers)) == len(numbers)
            assert sum(made()) == len(numbers) + sum(received())
            check_joints(parts, joints)
            for i in range(count):
                on_it = [part for part in parts if part.where == f"B_{i}"]
                check_belt(on_it)
                order = [part.number for part in on_it]
                stayed = [number for number in before.get(f"B_{i}", []) if number in order]
                assert stayed == [number for number in order if number in stayed]
                before[f"B_{i}"] = order
    assert len(trace.parts) == sum(made())
    ends = Counter(part.where for part in trace.parts.values())
    assert (ends["K_0"], ends["K_1"]) == received()
    assert "floor" not in ends
    for number in trace.parts:
        moves = trace.moves(number)
        assert [move.at_s for move in moves] == sorted(move.at_s for move in moves)
        assert len({move.where for move in moves}) == len(moves)


@pytest.mark.parametrize("step", ["10 ms", "50 ms"])
@pytest.mark.parametrize(("first", "second"), [("0.5", "0.2"), ("0.5", "0.5"), ("0.2", "0.5")])
def test_a_queue_over_a_joint_does_not_overlap(build, first, second, step):
    """Also where the second belt is slower, faster, or stops just as it takes a part."""
    plant = build(JOINT.replace("FIRST", first).replace("SECOND", second), step)
    drive = plant.writer(["M_2.run"])
    while plant.now_ns < 60 * 10**9:
        drive([plant.now_ns // 10**9 % 7 < 4])
        plant.step()
        parts = plant.parts()
        check_joints(parts, {"B_1": (2.0, "B_2")})
        for belt in ("B_1", "B_2"):
            check_belt([part for part in parts if part.where == belt])
    assert plant.read("K_1.received") > 8


RIG = f"""
CS_1: {{type: part_source, to: B_1, interval: 2.6 s, arrivals: exponential, least_interval: 1.9 s,
       weight: [9 kg, 11 kg], height: [0.2 m, 0.3 m], length: [0.3 m, 0.4 m]}}
M_1: {{type: motor, run_up: 0.7 s}}
M_2: {{type: motor, run_up: 0.7 s}}
B_1: {{type: belt, drive: M_1, to: B_2, length: 2.2 m, speed: 0.3 m/s}}
B_2: {{type: belt, drive: M_2, to: K_1, length: 3.1 m, speed: 0.4 m/s}}
PE_1: {{type: photo_eye, on: B_1, position: 1.3 m, switching: light}}
PE_2: {{type: photo_eye, on: B_2, position: 1.1 m, switching: light}}
PE_3: {{type: photo_eye, on: B_2, position: 2.8 m, switching: light}}
WT_1: {{type: belt_scale, on: B_2, position: 0.8 m, platform: 0.5 m, range: [0 kg, 20 kg]}}
Y_1: {{type: cylinder, {CYLINDER}}}
X_1: {{type: pusher, on: B_2, cylinder: Y_1, to: R_1, position: 2 m, face: 0.35 m,
      contact: 0.06 m, over: 0.41 m}}
R_1: {{type: bin}}
K_1: {{type: bin}}
"""
EVENTS = [f"PE_{i}.changed_at_s" for i in (1, 2, 3)] + ["R_1.last.at_s", "K_1.last.at_s"]


def history(build, step):
    """Every time of an event in a minute of a line whose pusher works every 3 s."""
    plant = build(RIG, step)
    read, push = plant.reader(EVENTS), plant.writer(["Y_1.extend"])
    plant.write("M_1.run", True)
    plant.write("M_2.run", True)
    seen: list[list[float]] = [[] for _ in EVENTS]
    for period in range(1200):
        push([period % 60 < 12])
        for _ in range(50_000_000 // plant.step_ns):
            plant.step()
            for times, time in zip(seen, read(), strict=True):
                if time and (not times or times[-1] != time):
                    times.append(time)
    return seen, plant.read("B_2.travelled"), plant.read("WT_1.signal")


def test_events_agree_at_any_step(build):
    """Fronts, tails, pushes and hand-overs come at the same time at 1 and at 50 ms.

    The belts are 3.1 m, 0.1 % of which is 3 mm or 8 ms.
    """
    fine, coarse = history(build, "1 ms"), history(build, "50 ms")
    assert [len(times) for times in coarse[0]] == [len(times) for times in fine[0]]
    assert min(len(times) for times in fine[0]) > 3
    for times, others in zip(coarse[0], fine[0], strict=True):
        for time, other in zip(times, others, strict=True):
            assert abs(time - other) < 1e-6
    assert abs(coarse[1] - fine[1]) < 1e-9
    assert abs(coarse[2] - fine[2]) < 0.02


def test_snapshots_keep_the_trace(build, run):
    """A plant put back to a snapshot has its parts and their moves, and goes the same way."""
    plant = build(RIG)
    plant.write("M_1.run", True)
    plant.write("M_2.run", True)
    trace = plant.trace_parts()
    run(plant, 9)
    state, parts = plant.snapshot(), plant.parts()
    run(plant, 15)
    after = plant.parts(), dict(trace.parts), trace.moves(1000002)
    plant.restore(state)
    assert plant.parts() == parts
    run(plant, 15)
    assert (plant.parts(), dict(trace.parts), trace.moves(1000002)) == after
    assert [move.where for move in after[2]] == ["B_1", "B_2", "K_1"]


DESK = """\
(* A desk of the user's own: it takes one part, holds it for `hold_time`, and hands it on. *)
{role: carrier, keys: to, holds: held}
FUNCTION_BLOCK desk
VAR_INPUT
    {unit: s, min: 0, max: 100, required}
    hold_time : LREAL;
    {wire: to.room}
    room_ahead : LREAL;
    {each: to.out}
    given : ARRAY[1..1] OF part;
    {time}
    now : LREAL;
END_VAR
VAR_OUTPUT
    out : part;
    claim : BOOL;
    room : LREAL := 1.0E9;
END_VAR
VAR
    held : part;
    several : ARRAY[0..3] OF part;
END_VAR

out.id := 0;
IF given[1].id > 0 THEN
    held := given[1];
END_IF;
IF held.id > 0 AND now >= held.at_s + hold_time AND room_ahead >= 0.5 * held.length THEN
    out := held;
    out.place := 0.0;
    out.at_s := now;
    held.id := 0;
END_IF;
claim := held.id > 0;
room := SEL(held.id > 0, 1.0E9, 0.0);
END_FUNCTION_BLOCK
"""


def test_a_carrier_of_the_users_own(build):
    """A block of the machine folder takes parts, holds them and gives them like any other."""
    line = JOINT.replace("FIRST", "0.4").replace("SECOND", "0.4")
    line = line.replace("M_2: {type: motor}", "M_2: {type: motor, run: true}")
    line = line.replace("to: B_2, length", "to: D_1, length")
    plant = build(line + "D_1: {type: desk, to: B_2, hold_time: 3 s}", "20 ms", DESK)
    trace = plant.trace_parts()
    while plant.read("K_1.received") < 5:
        plant.step()
        numbers = [part.number for part in plant.parts()]
        assert plant.read("CS_1.made") == len(numbers) + plant.read("K_1.received")
        assert [part.where for part in plant.parts()].count("D_1") <= 1
    for number in list(trace.parts)[:4]:
        moves = trace.moves(number)
        assert [move.where for move in moves] == ["B_1", "D_1", "B_2", "K_1"]
        assert 3 <= moves[2].at_s - moves[1].at_s < 3.03


@pytest.mark.parametrize("holds", ["holt", "hold_time", "several"])
def test_a_carrier_that_holds_nothing(build, holds):
    """A wrong name behind `holds` is an error of the folder."""
    line = JOINT.replace("FIRST", "0.4").replace("SECOND", "0.4")
    with pytest.raises(ProblemsError, match=f"expected a desk with a part.* in {holds}"):
        build(
            line + "D_1: {type: desk, to: B_2, hold_time: 3 s}",
            "20 ms",
            DESK.replace("holds: held", f"holds: {holds}"),
        )
