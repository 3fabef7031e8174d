"""Machine folders that come with softctl, whole or with their text changed."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from softctl.plant import Plant, build_plant
from softctl.runtime.folder import MachineFolder, load_folder

CONFIGS = Path(__file__).parents[2] / "configs"
AREA_SUMP_M2 = 2.4 * 1.7
DAY_STEP_MS = 250
"""For the balances of a whole day: they hold at any step, and a coarse one is the hardest."""
Change = tuple[float, Mapping[str, bool | float]]


def changed(name: str, target: Path, *changes: tuple[str, str]) -> MachineFolder:
    """A copy of a folder in which texts are replaced; each must be there exactly once."""
    for path in (CONFIGS / name).glob("*.*"):
        text = path.read_text(encoding="utf-8")
        if path.name == "machine.yaml":
            for old, new in changes:
                assert text.count(old) == 1, old
                text = text.replace(old, new)
        (target / path.name).write_text(text, encoding="utf-8")
    return load_folder(target)


def at_step(folder: MachineFolder, milliseconds: int) -> Plant:
    """The folder's plant at another step."""
    machine = dataclasses.replace(folder.machine, plant_step_ns=milliseconds * 1_000_000)
    return build_plant(machine, folder.blocks)


def trajectory(plant: Plant, script: Sequence[Change], end_s: int, shown: Sequence[str]) -> list:
    """The shown terminals at every full second while a script of (s, values) is played."""
    read, rows = plant.reader(shown), []
    changes = sorted(script, key=lambda change: change[0])
    per_second = 1_000_000_000 // plant.step_ns
    for second in range(end_s):
        while changes and changes[0][0] <= second:
            values = changes.pop(0)[1]
            plant.writer(list(values))(list(values.values()))
        for _ in range(per_second):
            plant.step()
        rows.append(read())
    return rows


def farthest(
    first: Sequence[Sequence[float]], second: Sequence[Sequence[float]], spans: Sequence[float]
) -> float:
    """The greatest distance of two trajectories, over the span of each quantity."""
    return max(
        abs(a - b) / span
        for row, other in zip(first, second, strict=True)
        for a, b, span in zip(row, other, spans, strict=True)
    )


def day(plant: Plant, decide: Callable[[], None], every_s: float = 2.0) -> None:
    """A day of plant time; `decide` is called every few seconds and sets the outputs."""
    steps = round(every_s * 1e9 / plant.step_ns)
    while plant.now_ns < 86400 * 10**9:
        decide()
        for _ in range(steps):
            plant.step()
