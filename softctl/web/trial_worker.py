"""Runs one trial in a process of its own and writes how it goes, a line of JSON at a time.

    python -m softctl.web.trial_worker FOLDER NAME SPEED

A process of its own, because compiling a plant and running it fast would hold up the scans
of the machine beside it. SPEED is machine seconds in a second, 0 for as fast as possible.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

from softctl.errors import ProblemsError, SoftctlError
from softctl.runtime.folder import load_folder
from softctl.runtime.trials import load_trials
from softctl.trial.play import Player
from softctl.trial.progress import progress
from softctl.trial.run import VirtualRunner, charts, put_on
from softctl.web.values import to_json

_TELL_EVERY_S = 0.2


def run(folder: Path, name: str, speed: float) -> None:
    """Run it, and print; raises SoftctlError."""
    trials = load_trials(load_folder(folder))
    ((file, trial),) = [pair for pair in trials.choose([name]) if pair[1].name == name]
    player = Player(trial, file.evaluator(trial), charts(trials.around.application))
    bench = VirtualRunner(trials.around).bench(trial)
    put_on(player, bench, file.names)
    began_s = told_s = time.monotonic()
    while not player.is_over:
        bench.next_scan()
        ahead_s = 0.0 if speed <= 0 else began_s + bench.now_ns / 1e9 / speed - time.monotonic()
        if ahead_s > 0:
            time.sleep(ahead_s)
        if time.monotonic() - told_s > _TELL_EVERY_S:
            told_s = time.monotonic()
            instance, found = bench.controller.instance, bench.controller.application.charts
            steps = {one.program: list(instance.active_steps(one.program)) for one in found}
            _tell(running=True, steps=steps, verdict=None, **progress(trial, player))
    result = player.result()
    verdict = "met" if result.passed else "not met"
    stopped = result.stopped
    _tell(running=False, verdict=verdict, stopped=stopped, **progress(trial, player))


def _tell(**message: Any) -> None:
    print(to_json(message), flush=True)


def main() -> None:
    """Run what the command line says; an error is a last line."""
    folder, name, speed = sys.argv[1:]
    try:
        run(Path(folder), name, float(speed))
    except ProblemsError as error:
        why = "; ".join(f"{one.message} ({one.place})" for one in error.problems)
        _tell(running=False, verdict="not run", stopped=why, rows=[])
    except SoftctlError as error:
        _tell(running=False, verdict="not run", stopped=str(error), rows=[])


if __name__ == "__main__":
    main()
