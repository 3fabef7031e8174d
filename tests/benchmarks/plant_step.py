"""What a plant step costs, next to the same physics written out by hand in Python.

    python tests/benchmarks/plant_step.py

The demo's plant runs whole batches in virtual time, plant alone. The peer is one tank
that drains through a valve: as equipment, and as a bare loop with the same equations (no
species, limits, limit switches or faults). Plants of 10 to 1000 pieces show how the cost
grows with the number of equipment, of vessels and of belts. What heat, and what vents and
densities, cost is told next to the same tanks without.
"""

from __future__ import annotations

import math
from time import perf_counter

from softctl.machine import parse_machine
from softctl.plant import Plant, build_plant
from softctl.runtime.folder import demo_folder, load_folder

_HEAD = """\
name: rows
title: Rows of draining tanks
description: Tanks that drain through valves
control: {scan: 50 ms, fail_safe_after: 500 ms}
plant: {step: 10 ms, seed: 1}
field: {host: 127.0.0.1, port: 15020, unit: 1, word_order: ABCD}
hmi: {host: 127.0.0.1, port: 15021, unit: 1, word_order: ABCD}
programs: [rows.st]
species: []
points: {}
equipment:
  H_0: {type: header}
"""
_ROW = """\
  T_%d: {type: tank, diameter: 2 m, height: 3 m, initial_level: 2 m, well_mixed: true%s}
  V_%d: {type: valve, from: T_%d, to: H_0, bore: 50 mm, spring: opens}
"""
_BELT = """\
  M_%d: {type: motor, run: true}
  B_%d: {type: belt, drive: M_%d, to: %s, length: 2 m, speed: 0.3 m/s}
  E_%d: {type: photo_eye, on: B_%d, position: 1 m, switching: light}
"""
_ENDS = """\
  K_0: {type: bin}
  C_0: {type: part_source, to: B_0, interval: 4 s, weight: [1 kg, 2 kg], height: [1 m, 1 m],
        length: [0.3 m, 0.4 m]}
"""


def belts(count: int) -> Plant:
    """A plant of `count` belts in a row, each with motor and photo-eye, and parts on all."""
    ends = [f"B_{i}" for i in range(1, count)] + ["K_0"]
    rows = (_BELT % (i, i, i, end, i, i) for i, end in enumerate(ends))
    return build_plant(parse_machine(_HEAD + _ENDS + "".join(rows), "belts.yaml"))


_FEATURES = {
    "heat": ", temperature: 60 degC, heat_loss: 100 W/K",
    "a vent": ", vent: 30 mm",
    "both": ", temperature: 60 degC, heat_loss: 100 W/K, vent: 30 mm",
}


def rows(count: int, more: str = "") -> Plant:
    """A plant of `count` tanks, each with its valve; `more` is added to each tank."""
    text = _HEAD + "".join(_ROW % (i, more, i, i) for i in range(count))
    return build_plant(parse_machine(text, "rows.yaml"))


def by_hand(steps: int) -> float:
    """The level after some steps of 10 ms, by the same second-order rule."""
    area = math.pi / 4 * 2.0**2
    coefficient = 0.61 * math.pi / 4 * 0.05**2 * math.sqrt(2 * 9.80665)
    volume = area * 2.0
    level, before = 2.0, math.sqrt(2.0)
    for _ in range(steps):
        root = math.sqrt(level)
        volume -= coefficient * (1.5 * root - 0.5 * before) * 0.01
        before = root
        level = volume / area
    return level


def time_of(plant: Plant, steps: int) -> float:
    """Seconds that some steps take."""
    step = plant.step
    start = perf_counter()
    for _ in range(steps):
        step()
    return perf_counter() - start


def demo_batches(batches: int) -> tuple[int, float]:
    """Steps and seconds of batches of the demo, driven by its switches."""
    plant = load_folder(demo_folder()).build_plant()
    drive = plant.writer(["P_101.run", "P_102.run", "A_101.run", "XV_101.open"])
    switches = plant.reader(["LSH_101.actuated", "LSL_101.actuated"])
    start, steps = perf_counter(), 0
    for _ in range(batches):
        for outputs, count, is_done in (
            ([True, True, False, False], 50, lambda: switches()[0]),
            ([False, False, True, False], 7500, lambda: True),
            ([False, False, False, True], 50, lambda: not switches()[1]),
            ([False, False, False, False], 400, lambda: True),
        ):
            drive(outputs)
            while True:
                for _ in range(count):
                    plant.step()
                steps += count
                if is_done():
                    break
    return steps, perf_counter() - start


def costs_of_features(steps: int) -> dict[str, float]:
    """Step times with a feature over those without, the quickest of five turns each."""
    plants = {name: rows(10, more) for name, more in {"": "", **_FEATURES}.items()}
    turns = [{name: time_of(one, steps) for name, one in plants.items()} for _ in range(5)]
    best = {name: min(turn[name] for turn in turns) for name in plants}
    return {f"with {name}, against without": best[name] / best[""] for name in _FEATURES}


def measure(steps: int, batches: int, counts: tuple[int, ...]) -> dict[str, float]:
    """Figures in microseconds and ratios."""
    demo_steps, demo_s = demo_batches(batches)
    start = perf_counter()
    level = by_hand(steps)
    hand_s = perf_counter() - start
    single = rows(1)
    single_s = time_of(single, steps)
    assert math.isclose(float(single.read("T_0.level")), level, rel_tol=1e-9)
    figures = {
        "demo, us a step": demo_s / demo_steps * 1e6,
        "demo, simulated seconds a second": demo_steps * 0.01 / demo_s,
        "tank, valve and header, us a step": single_s / steps * 1e6,
        "the same by hand, us a step": hand_s / steps * 1e6,
        "equipment against by hand": single_s / hand_s,
    }
    for count in counts:
        taken = time_of(rows(count), max(steps // count, 10))
        figures[f"{2 * count} pieces, us a step and piece"] = (
            taken / max(steps // count, 10) / (2 * count) * 1e6
        )
    for count in counts:
        # Parts reach the last of the shortest row before the time is taken.
        plant = belts(count)
        time_of(plant, steps // count)
        taken = time_of(plant, max(steps // count, 10))
        figures[f"{3 * count} pieces with belts, us a step and piece"] = (
            taken / max(steps // count, 10) / (3 * count) * 1e6
        )
    return figures | costs_of_features(max(steps // 100, 10))


def main() -> None:
    """Print the figures."""
    for name, value in measure(100_000, 3, (5, 50, 500)).items():
        print(f"{name:<44} {value:10.2f}")


if __name__ == "__main__":
    main()
