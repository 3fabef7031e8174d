"""How fast a machine runs on the virtual bench, next to its plant and its logic alone.

    python tests/benchmarks/trial_speed.py [FOLDER ...]

The peer is a bare loop: the plant's steps and the program's scans at their periods, one call
each, the outputs handed over as values, with no I/O cards, no banks, no HMI map, no alarms, no
link and no trial. Figures are simulated seconds per second of processor time, so that other
work on the computer counts less, and the best of six rounds in turns. On the bench a plant runs
many steps in one function. That is made in the round before, which is not measured; else when
it is worth it, for all trials of a machine.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from itertools import count, islice
from math import inf
from pathlib import Path
from time import process_time

from softctl.logic import application
from softctl.machine import Role
from softctl.runtime.folder import MachineFolder, load_folder
from softctl.runtime.trials import surroundings
from softctl.trial.bench import VirtualBench
from softctl.trial.parse import parse_trials
from softctl.trial.run import VirtualRunner

CONFIGS = Path(__file__).parents[2] / "configs"

# What a machine is given so that it is at work while it is measured, and what is looked at.
COMMANDS = ("START",)
CONDITIONS = 8
SECONDS = 300
ROUNDS = 6


Portion = Callable[[], None]
"""Runs a machine for some more simulated seconds."""


def bare(folder: MachineFolder, seconds: int) -> Portion:
    """Plant and logic alone."""
    machine = folder.machine
    plant, instance = folder.build_plant(), folder.application.instantiate()
    inputs = [p for p in machine.points.values() if p.role is Role.INPUT and p.terminal]
    outputs = [p for p in machine.points.values() if p.role is Role.OUTPUT and p.terminal]
    sense = plant.reader([p.terminal for p in inputs])
    take = instance.writer([p.name for p in inputs])
    scales = [(p.si_scale, p.si_offset, p.inverted, type(p.initial) is bool) for p in inputs]
    give = instance.reader([p.name for p in outputs])
    drive = plant.writer([p.terminal for p in outputs])
    names = [n for n in COMMANDS if n in machine.points]
    command = instance.writer(names)
    scans = count(1)

    def go_on() -> None:
        for number in islice(scans, seconds * 1_000_000_000 // machine.scan_ns):
            now_ns = number * machine.scan_ns
            while plant.now_ns < now_ns:
                plant.step()
            take(
                [
                    bool(value) is not inverted if is_bool else (float(value) - offset) / scale
                    for value, (scale, offset, inverted, is_bool) in zip(
                        sense(), scales, strict=True
                    )
                ]
            )
            command([number == 2] * len(names))
            instance.scan(now_ns)
            drive(give())

    return go_on


def on_bench(folder: MachineFolder, seconds: int) -> Portion:
    """The whole closed loop."""
    bench = VirtualBench(folder.machine, folder.application, folder.build_plant())
    bench.next_scan()
    bench.give([name for name in COMMANDS if name in folder.machine.points])
    return lambda: bench.run_to(bench.now_ns + seconds * 1_000_000_000)


def with_trial(folder: MachineFolder, seconds: int) -> Portion:
    """The same while a trial looks at conditions in every scan and keeps their values."""
    points = folder.machine.points.values()
    names = [p.name for p in points if p.role is Role.OUTPUT and p.type.name == "BOOL"]
    given = [f"      - command: {name}" for name in COMMANDS if name in folder.machine.points]
    rows = [
        f"      - always: {first} OR NOT {names[number % len(names)]} OR TRUE"
        for number, first in enumerate((names * CONDITIONS)[:CONDITIONS], 1)
    ]
    lines = ["trials:", "  it:", "    procedure:", *rows, *given, f"      - wait: {seconds} s"]
    around = surroundings(folder)
    file = parse_trials("\n".join(lines), "trial.yaml", around)
    runner = VirtualRunner(around)

    def go_on() -> None:
        result = runner.run(file, file.trials[0])
        assert result.passed, result

    return go_on


def measure(path: Path, seconds: int, rounds: int = ROUNDS) -> dict[str, float]:
    """Simulated seconds a second, and the ratios between them."""
    folder = load_folder(path)
    portions = [kind(folder, seconds) for kind in (bare, on_bench, with_trial)]
    for portion in portions:
        portion()
    best = [inf] * len(portions)
    for _ in range(rounds):
        for number, portion in enumerate(portions):
            begin = process_time()
            portion()
            best[number] = min(best[number], process_time() - begin)
    alone, closed, tried = (seconds / time for time in best)
    return {
        "plant and logic alone, simulated s a s": alone,
        "virtual bench, simulated s a s": closed,
        f"with {CONDITIONS} watches, simulated s a s": tried,
        "bench against plant and logic": closed / alone,
        "bench with watches against the bench": tried / closed,
    }


def main() -> None:
    """Print the figures of each folder, or of all that come with softctl."""
    application.WORTH_SCANS = 1
    for path in [Path(name) for name in sys.argv[1:]] or sorted(CONFIGS.iterdir()):
        print(path.name)
        for name, value in measure(path, SECONDS).items():
            print(f"    {name:<44} {value:10.2f}")


if __name__ == "__main__":
    main()
