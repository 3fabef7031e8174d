"""Trials over Modbus/TCP in real time, against our own field and controller or others'."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

from softctl.errors import SoftctlError
from softctl.runtime.live_machine import LiveMachine, slack_ns
from softctl.runtime.outside_machine import OutsideMachine, leave_at_rest
from softctl.runtime.parties import Parties
from softctl.runtime.tls_files import controller_tls
from softctl.runtime.trials import Chosen, TrialFolder, make_report
from softctl.trial.model import Trial, Wire
from softctl.trial.parse import Surroundings, TrialFile
from softctl.trial.play import Player
from softctl.trial.report import Report
from softctl.trial.result import Result
from softctl.trial.run import charts
from softctl.trial.visible import fit

OURS = Parties()


async def run_live_trials(
    trials: TrialFolder,
    chosen: Sequence[Chosen],
    on_result: Callable[[Result], None],
    speed: float = 1.0,
    parties: Parties = OURS,
) -> Report:
    """Run trials one after the other in real time; `on_result` hears of each that has ended.

    Raises SoftctlError where a party that is not ours does not come or answer.
    """
    started = datetime.now().astimezone()
    began_s = time.perf_counter()
    results = []
    for file, trial in chosen:
        result = await run_live(trials.around, file, trial, speed, parties, trials.folder.path)
        results.append(result)
        on_result(result)
    wall_s = time.perf_counter() - began_s
    told = f" with {parties.told()}" if parties.told() else ""
    clock = f"live over Modbus/TCP at speed {speed:g}{told}"
    return make_report(trials.folder, results, clock, started, wall_s)


async def run_live(
    around: Surroundings,
    file: TrialFile,
    trial: Trial,
    speed: float = 1.0,
    parties: Parties = OURS,
    folder: Path | None = None,
) -> Result:
    """Run one trial, on a field and a controller of its own where they are ours.

    `folder` has the certificates of a machine whose field speaks TLS.
    """
    if parties.has_their_controller:
        return await _run_outside(around, file, trial, speed, parties, folder or Path())
    tls = None
    if parties.field is not None:
        tls = controller_tls(around.machine.field, folder or Path())
    cuts = any(isinstance(row, Wire) for row in trial.rows)
    machine = LiveMachine(
        around, trial.equipment, trial.settings, speed, parties.field, tls, cuts=cuts
    )
    fitted, why = fit(trial, file, machine.view)
    player = _player(around, file, fitted, slack_ns(around.machine, speed))
    if why:
        return player.not_run(why)
    if parties.field is not None:
        await parties.prepare()
    async with machine:
        await _play(machine, player, file)
    return player.result()


async def _run_outside(
    around: Surroundings,
    file: TrialFile,
    trial: Trial,
    speed: float,
    parties: Parties,
    folder: Path,
) -> Result:
    machine = OutsideMachine(around, trial.equipment, trial.settings, speed, parties, folder)
    # What it does is late by its own cycle, and seen late by ours.
    late_ns = 2 * machine.late_ns
    fitted, why = fit(trial, file, machine.hoped_view())
    if why:
        return _player(around, file, fitted, late_ns).not_run(why)
    async with machine:
        fitted, why = fit(trial, file, machine.view)
        player = _player(around, file, fitted, late_ns)
        if why:
            return player.not_run(why)
        await _play(machine, player, file)
        await leave_at_rest(machine)
    return player.result()


async def _play(machine: LiveMachine | OutsideMachine, player: Player, file: TrialFile) -> None:
    try:
        await machine.play(player, file.names)
    except SoftctlError as error:
        player.stop(str(error))


def _player(around: Surroundings, file: TrialFile, trial: Trial, late_ns: int) -> Player:
    return Player(trial, file.evaluator(trial), charts(around.application), late_ns)
