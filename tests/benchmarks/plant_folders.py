"""What a simulated hour of each machine folder costs, plant alone, in virtual time.

    python tests/benchmarks/plant_folders.py

Outputs are drawn anew every simulated minute. The peer is one tank that drains through an
orifice, written out by hand in a bare Python loop (`plant_step.by_hand`), in the same run.
The ratios are the processor time of a step of the whole plant over that of a step of this
one tank, and over that of as many such tanks as the folder has pieces of equipment.
"""

from __future__ import annotations

import random
from time import process_time

from plant_step import by_hand

from softctl.machine import Role
from softctl.runtime.folder import MachineFolder, configs_folder, load_folder
from softctl.runtime.starters import starter_names

_PEER_STEPS = 100_000  # 1000 s, while the tank still drains


def run(folder: MachineFolder, seconds: int) -> tuple[int, float]:
    """Steps of a simulated time, and the seconds of processor time that they take."""
    plant = folder.build_plant()
    points = folder.machine.points.values()
    driven = [point for point in points if point.role is Role.OUTPUT and point.terminal]
    digital = [point.terminal for point in driven if point.type.name == "BOOL"]
    write, draw, step = plant.writer(digital), random.Random(1), plant.step
    per_minute = 60_000_000_000 // plant.step_ns
    steps = seconds * 1_000_000_000 // plant.step_ns
    start = process_time()
    for number in range(steps):
        if number % per_minute == 0:
            write([draw.random() < 0.5 for _ in digital])
        step()
    return steps, process_time() - start


def measure(seconds: int) -> dict[str, dict[str, float]]:
    """Figures of every folder."""
    figures = {}
    for name in starter_names():
        folder = load_folder(configs_folder() / name)
        steps, taken = run(folder, seconds)
        start = process_time()
        by_hand(_PEER_STEPS)
        peer = (process_time() - start) / _PEER_STEPS * steps
        pieces = len(folder.machine.equipment)
        figures[name] = {
            "pieces": pieces,
            "steps": steps,
            "us a step": taken / steps * 1e6,
            "simulated s a s": seconds / taken,
            "over a bare tank": taken / peer,
            "and piece": taken / peer / pieces,
        }
    return figures


def main() -> None:
    """Print the figures of an hour."""
    for name, row in measure(3600).items():
        print(f"{name:<16}", "  ".join(f"{key} {value:.2f}" for key, value in row.items()))


if __name__ == "__main__":
    main()
