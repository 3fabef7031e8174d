"""Trials over Modbus/TCP in real time, against our own field and controller."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from datetime import datetime

from softctl.errors import SoftctlError
from softctl.runtime.live_machine import LiveMachine, slack_ns
from softctl.runtime.trials import Chosen, TrialFolder, make_report
from softctl.trial.model import Trial
from softctl.trial.parse import Surroundings, TrialFile
from softctl.trial.play import Player
from softctl.trial.report import Report
from softctl.trial.result import Result
from softctl.trial.run import charts
from softctl.trial.visible import why_not_visible


async def run_live_trials(
    trials: TrialFolder,
    chosen: Sequence[Chosen],
    on_result: Callable[[Result], None],
    speed: float = 1.0,
) -> Report:
    """Run trials one after the other in real time; `on_result` hears of each that has ended."""
    started = datetime.now().astimezone()
    began_s = time.perf_counter()
    results = []
    for file, trial in chosen:
        result = await run_live(trials.around, file, trial, speed)
        results.append(result)
        on_result(result)
    wall_s = time.perf_counter() - began_s
    clock = f"live over Modbus/TCP at speed {speed:g}"
    return make_report(trials.folder, results, clock, started, wall_s)


async def run_live(
    around: Surroundings, file: TrialFile, trial: Trial, speed: float = 1.0
) -> Result:
    """Run one trial on a field and a controller of its own."""
    found = charts(around.application)
    player = Player(trial, file.evaluator(trial), found, slack_ns(around.machine, speed))
    why = why_not_visible(trial, file.names, player.evaluator.names, speed)
    if why:
        return player.not_run(why)
    async with LiveMachine(around, trial.equipment, trial.settings, speed) as machine:
        try:
            await machine.play(player, file.names)
        except SoftctlError as error:
            player.stop(str(error))
    return player.result()
