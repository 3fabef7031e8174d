"""Trials over Modbus/TCP in real time, against our own field and controller.

Both run in this process and meet over loopback TCP, as `softctl run` has them. The trial
is a third party: it reads and writes the controller's HMI map as an HMI does, breaks the
field's equipment, and judges by what it sees there.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, NamedTuple

from softctl.control import Controller
from softctl.errors import SoftctlError
from softctl.field import FieldDevice
from softctl.machine import Machine
from softctl.modbus.faults import Deny, Reset, Rule
from softctl.plant import build_plant
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.field_service import FieldService
from softctl.runtime.hmi_client import HmiClient
from softctl.runtime.trials import Chosen, TrialFolder, make_report
from softctl.trial import model
from softctl.trial.model import Action, Trial
from softctl.trial.parse import Surroundings, TrialFile, with_parameters
from softctl.trial.play import Flags, Player
from softctl.trial.report import Report
from softctl.trial.result import Result
from softctl.trial.run import at_plant_time, charts
from softctl.trial.visible import PROGRAM_FAULT, live_flags, live_reader, why_not_visible

_HOST = "127.0.0.1"
_BEGIN_WITHIN_S = 10.0
_SLACK_SCANS = 4
_SLACK_WALL_NS = 50_000_000
_SCANS_AFTER_A_DEED = 2
"""The first scan may have begun before the deed was done; the second has seen it."""


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
    slack_ns = _SLACK_SCANS * around.machine.scan_ns + int(_SLACK_WALL_NS * speed)
    player = Player(trial, file.evaluator(trial), found, slack_ns)
    why = why_not_visible(trial, file.names, player.evaluator.names, speed)
    if why:
        return player.not_run(why)
    async with LiveMachine(around, trial, speed) as machine:
        try:
            await _play(player, machine, file)
        except SoftctlError as error:
            player.stop(str(error))
    return player.result()


class _Count(NamedTuple):
    """Scans that the controller has made, and releases: with those that it skipped."""

    scans: int
    releases: int


class LiveMachine:
    """A field and a controller in real time, and an HMI's connection to it."""

    def __init__(self, around: Surroundings, trial: Trial, speed: float) -> None:
        machine = _in_the_clear(with_parameters(around.machine, trial.equipment))
        self.machine = machine
        self.plant = build_plant(machine, around.blocks)
        self.clock = MachineClock(speed)
        self.controller = Controller(machine, around.application)
        self.field = FieldService(FieldDevice(machine, self.plant), self.clock)
        self.control = ControlService(self.controller, self.clock)
        self.hmi = HmiClient(machine, _HOST, 0)
        self.now_ns = 0
        self._settings = trial.settings
        self._cut_until_ns: float | None = None
        self._cut_rules = (Rule(Reset(), name="cut"), Rule(Deny(), name="cut"))
        self._forces: list[tuple[int, str]] = []

    async def __aenter__(self) -> LiveMachine:
        try:
            at_field = await self.field.start(_HOST, 0)
            host, port = await self.control.start(_HOST, 0, at_field)
            self.hmi = HmiClient(self.machine, host, port)
            await self.hmi.connect()
            for name, value in self._settings.items():
                await self.hmi.put(name, value)
        except BaseException:
            await self.__aexit__()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.hmi.close()
        await self.control.close()
        await self.field.close()

    async def poll(self) -> _Count:
        """Bring the HMI's mirror up to date."""
        await self.hmi.poll()
        scans, overruns = (int(value) for value in self.hmi.counts())
        return _Count(scans, scans + overruns)

    async def wait_a_little(self) -> None:
        """Half a scan, so that hardly one goes by unseen."""
        await asyncio.sleep(max(0.001, self.clock.wall_ns(self.machine.scan_ns) / 2e9))

    async def carry_out(self, action: Action) -> None:
        """Do what a row says; raises SoftctlError."""
        match action:
            case model.Write():
                for name, value in action.values.items():
                    await self.hmi.put(name, value)
            case model.Break():
                self.plant.inject(at_plant_time(action, self.plant.now_ns))
            case model.Mend():
                self.plant.mend(action.equipment, action.fault)
            case model.Force():
                self._force(action)
            case model.Release():
                self._release(action)
            case model.Wire():
                self._wire(action)

    def keep_times(self, now_ns: int) -> None:
        """End forces and cuts whose time is over."""
        self.now_ns = now_ns
        if self._cut_until_ns is not None and now_ns >= self._cut_until_ns:
            self._cut(False)
        for end_ns, path in list(self._forces):
            if now_ns >= end_ns:
                self._forces.remove((end_ns, path))
                self.controller.instance.release(path)

    def _force(self, action: model.Force) -> None:
        for path, value in action.values.items():
            self.controller.instance.force(path, value)
            self._forces = [(end, name) for end, name in self._forces if name != path]
            if action.for_ns is not None:
                self._forces.append((self.now_ns + action.for_ns, path))

    def _release(self, action: model.Release) -> None:
        names = action.names
        if names:
            for name in names:
                self.controller.instance.release(name)
        else:
            self.controller.instance.release_all()
        self._forces = [(end, n) for end, n in self._forces if names and n not in names]

    def _wire(self, action: model.Wire) -> None:
        self._cut(action.is_cut)
        if action.is_cut and action.for_ns is not None:
            self._cut_until_ns = self.now_ns + action.for_ns

    def _cut(self, is_cut: bool) -> None:
        self._cut_until_ns = None
        self.field.faults.replace(self._cut_rules if is_cut else ())


async def _play(player: Player, live: LiveMachine, file: TrialFile) -> None:
    read, flags = _readers(player, live, file)
    fault = live.hmi.reader([live.machine.points[PROGRAM_FAULT]])
    minds_faults = PROGRAM_FAULT not in player.evaluator.names
    first = await _first_scan(live)
    scan_ns, look_from = live.machine.scan_ns, first.scans
    seen = _Count(first.scans - 1, first.releases - 1)
    while not player.is_over:
        now = await live.poll()
        if now.releases > seen.releases and now.scans >= look_from:
            live.keep_times((now.releases - first.releases) * scan_ns)
            missed = max(0, now.scans - seen.scans - 1)
            actions = player.sample(live.now_ns, read(), flags(), missed)
            seen = now
            for action in actions:
                await live.carry_out(action)
            if actions:
                look_from = (await live.poll()).scans + _SCANS_AFTER_A_DEED
            if minds_faults and fault()[0]:
                player.stop("the program stopped")
        await live.wait_a_little()


def _readers(
    player: Player, live: LiveMachine, file: TrialFile
) -> tuple[Callable[[], tuple[Any, ...]], Callable[[], Flags]]:
    found = player.steps.charts
    read = live_reader(file.names, found, player.evaluator.names, live.hmi.reader, live.plant)
    return read, live_flags(live.machine, found, live.hmi.reader)


async def _first_scan(live: LiveMachine) -> _Count:
    """Wait for a healthy field link; the count at the first scan that has one."""
    healthy = live.hmi.reader([live.machine.points["FIELD_LINK"]])
    deadline_s = time.monotonic() + _BEGIN_WITHIN_S
    while True:
        count = await live.poll()
        if healthy()[0]:
            return count
        if time.monotonic() > deadline_s:
            raise SoftctlError(f"expected a healthy field link within {_BEGIN_WITHIN_S:g} s")
        await live.wait_a_little()


def _in_the_clear(machine: Machine) -> Machine:
    """Without TLS: both ends are in this process, on loopback."""
    return replace(
        machine,
        field=replace(machine.field, security=None),
        hmi=replace(machine.hmi, security=None),
    )
