"""How fast a program is explored, next to the bare program and to the virtual bench.

    python tests/benchmarks/explore_speed.py [FOLDER ...]

The bare program is scanned with the same inputs, changed at the same scans, and nobody looks
at it. The guards are the machine's and what its trials declare throughout. Figures are
scans per second of processor time.
"""

from __future__ import annotations

import sys
from pathlib import Path
from random import Random
from time import process_time

from softctl.runtime.folder import MachineFolder, demo_folder, load_folder
from softctl.runtime.trials import load_trials, surroundings
from softctl.trial.bench import VirtualBench
from softctl.trial.exploration import throughout_guards, values_at_rest
from softctl.trial.explore import WALK_SCANS, Explorer, Monitor, walk
from softctl.trial.names import Names


def explorer_of(folder: MachineFolder) -> Explorer:
    """A folder's explorer with every guard that can be looked at."""
    trials = [trial for _, trial in load_trials(folder).trials()]
    guards = [*folder.machine.guards.values(), *throughout_guards(trials)]
    around = surroundings(folder)
    names = Names(folder.machine, folder.application, around.plant)
    rest = values_at_rest(around)
    return Explorer(folder.machine, folder.application, names, guards, rest)


def walking(explorer: Explorer, scans: int) -> float:
    """Scans a second with draws, guards and all."""
    begin = process_time()
    walked = walk(explorer, seed=1, scans=scans)
    return walked.scans / (process_time() - begin)


def unwatched(explorer: Explorer, scans: int) -> float:
    """Scans a second of the programs alone, with changes drawn before."""
    nobody = Monitor(explorer, [])
    walks = [explorer.draw(Random(number), 0, WALK_SCANS) for number in range(scans // WALK_SCANS)]
    begin = process_time()
    for changes in walks:
        explorer.play(changes, WALK_SCANS, nobody)
    return len(walks) * WALK_SCANS / (process_time() - begin)


def on_bench(folder: MachineFolder, scans: int) -> float:
    """Scans a second of the whole closed loop, at rest."""
    bench = VirtualBench(folder.machine, folder.application, folder.build_plant())
    begin = process_time()
    bench.run_to(scans * folder.machine.scan_ns)
    return scans / (process_time() - begin)


def measure(path: Path, scans: int) -> dict[str, float]:
    """Scans a second, and the ratios between them."""
    folder = load_folder(path)
    explorer = explorer_of(folder)
    walked, alone = walking(explorer, scans), unwatched(explorer, scans)
    bench = on_bench(folder, scans // 20)
    return {
        "guards": len(explorer.guards),
        "random walk, scans a s": walked,
        "programs alone, scans a s": alone,
        "virtual bench, scans a s": bench,
        "walk against the programs alone": walked / alone,
        "walk against the bench": walked / bench,
    }


def main() -> None:
    """Print the figures of each folder."""
    for path in [Path(name) for name in sys.argv[1:]] or [demo_folder()]:
        print(path.name)
        for name, value in measure(path, 400_000).items():
            print(f"    {name:<36} {value:12.2f}")


if __name__ == "__main__":
    main()
