"""Our own field and controller in real time, with an HMI's connection to look at them.

Both run in this process and meet over loopback TCP, as `softctl run` has them. Whoever
plays a trial is a third party: it reads and writes the controller's HMI map as an HMI
does, breaks the field's equipment, and judges by what it sees there.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, NamedTuple

from softctl.control import Controller
from softctl.control.forces import MAX_FORCE_NS
from softctl.errors import SoftctlError
from softctl.field import FieldDevice
from softctl.machine import Machine, Value
from softctl.modbus.faults import Deny, Reset, Rule
from softctl.plant import build_plant
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.field_service import FieldService
from softctl.runtime.hmi_client import HmiClient
from softctl.trial import model
from softctl.trial.bench import SOURCE
from softctl.trial.model import Action, Parameters
from softctl.trial.names import Names
from softctl.trial.parse import Surroundings, with_parameters
from softctl.trial.play import Flags, Player
from softctl.trial.run import at_plant_time
from softctl.trial.visible import PROGRAM_FAULT, live_flags, live_reader

_HOST = "127.0.0.1"
_BEGIN_WITHIN_S = 10.0
_SLACK_SCANS = 4
_SLACK_WALL_NS = 50_000_000


def slack_ns(machine: Machine, speed: float) -> int:
    """How much later than in the controller something may be seen over a wire."""
    return _SLACK_SCANS * machine.scan_ns + int(_SLACK_WALL_NS * speed)


class _Count(NamedTuple):
    """Scans that the controller has made, and releases: with those that it skipped."""

    scans: int
    releases: int


class LiveMachine:
    """A field and a controller in real time, and an HMI's connection to it.

    Used as a context: it begins with the first scan on a healthy field link. `now_ns`
    counts from there, by the controller's own scans, so a busy computer spoils no time.
    """

    def __init__(
        self,
        around: Surroundings,
        equipment: Parameters,
        settings: Mapping[str, Value],
        speed: float,
    ) -> None:
        machine = _in_the_clear(with_parameters(around.machine, equipment))
        self.machine = machine
        self.plant = build_plant(machine, around.blocks)
        self.clock = MachineClock(speed)
        self.controller = Controller(machine, around.application)
        self.field = FieldService(FieldDevice(machine, self.plant), self.clock)
        self.control = ControlService(self.controller, self.clock)
        self.hmi = HmiClient(machine, _HOST, 0)
        self.now_ns = 0
        self._settings = settings
        self._first = self._seen = _Count(0, 0)
        self._look_from = 0
        self._cut_until_ns: float | None = None
        self._cut_rules = (Rule(Reset(), name="cut"), Rule(Deny(), name="cut"))

    async def __aenter__(self) -> LiveMachine:
        try:
            at_field = await self.field.start(_HOST, 0)
            host, port = await self.control.start(_HOST, 0, at_field)
            self.hmi = HmiClient(self.machine, host, port)
            await self.hmi.connect()
            for name, value in self._settings.items():
                await self.hmi.put(name, value)
            await self._begin()
        except BaseException:
            await self.__aexit__()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.hmi.close()
        await self.control.close()
        await self.field.close()

    async def play(self, player: Player, names: Names) -> None:
        """Let a trial look at every scan, and do what it says, until it is over."""
        read, flags = self._readers(player, names)
        fault = self.hmi.reader([self.machine.points[PROGRAM_FAULT]])
        minds_faults = PROGRAM_FAULT not in player.evaluator.names
        while not player.is_over:
            missed = await self._next()
            for action in player.sample(self.now_ns, read(), flags(), missed):
                await self.carry_out(action)
            if minds_faults and fault()[0]:
                player.stop("the program stopped")

    async def carry_out(self, action: Action) -> None:
        """Do what a row says; raises SoftctlError."""
        await self._do(action)
        # The first scan may have begun before the deed was done; the second has seen it.
        self._look_from = (await self._poll()).scans + 2

    async def _next(self) -> int:
        """Wait for a scan that has seen all deeds; how many scans went by unseen."""
        while True:
            now = await self._poll()
            self._keep_times((now.releases - self._first.releases) * self.machine.scan_ns)
            if now.releases > self._seen.releases and now.scans >= self._look_from:
                missed = max(0, now.scans - self._seen.scans - 1)
                self._seen = now
                return missed
            # Half a scan, so that hardly one goes by unseen.
            await asyncio.sleep(max(0.001, self.clock.wall_ns(self.machine.scan_ns) / 2e9))

    async def _begin(self) -> None:
        healthy = self.hmi.reader([self.machine.points["FIELD_LINK"]])
        deadline_s = time.monotonic() + _BEGIN_WITHIN_S
        while True:
            count = await self._poll()
            if healthy()[0]:
                self._first = count
                self._seen = _Count(count.scans - 1, count.releases - 1)
                return
            if time.monotonic() > deadline_s:
                raise SoftctlError(f"expected a healthy field link within {_BEGIN_WITHIN_S:g} s")
            await asyncio.sleep(0.005)

    def _readers(
        self, player: Player, names: Names
    ) -> tuple[Callable[[], tuple[Any, ...]], Callable[[], Flags]]:
        found, wanted = player.steps.charts, player.evaluator.names
        read = live_reader(names, found, wanted, self.hmi.reader, self.plant)
        return read, live_flags(self.machine, found, self.hmi.reader)

    async def _poll(self) -> _Count:
        """Bring the HMI's mirror up to date."""
        await self.hmi.poll()
        scans, overruns = (int(value) for value in self.hmi.counts())
        return _Count(scans, scans + overruns)

    async def _do(self, action: Action) -> None:
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

    def _keep_times(self, now_ns: int) -> None:
        """End a cut whose time is over."""
        self.now_ns = now_ns
        if self._cut_until_ns is not None and now_ns >= self._cut_until_ns:
            self._cut(False)

    def _force(self, action: model.Force) -> None:
        for path, value in action.values.items():
            self.controller.forces.force(
                path,
                value,
                for_ns=action.for_ns or MAX_FORCE_NS,
                now_ns=self.clock.now_ns(),
                source=SOURCE,
                reason=action.text or SOURCE,
            )

    def _release(self, action: model.Release) -> None:
        forces, now_ns = self.controller.forces, self.clock.now_ns()
        for name in action.names:
            forces.release(name, now_ns=now_ns, source=SOURCE)
        if not action.names:
            forces.release_all(now_ns=now_ns, source=SOURCE)

    def _wire(self, action: model.Wire) -> None:
        self._cut(action.is_cut)
        if action.is_cut and action.for_ns is not None:
            self._cut_until_ns = self.now_ns + action.for_ns

    def _cut(self, is_cut: bool) -> None:
        self._cut_until_ns = None
        self.field.faults.replace(self._cut_rules if is_cut else ())


def _in_the_clear(machine: Machine) -> Machine:
    """Without TLS: both ends are in this process, on loopback."""
    return replace(
        machine,
        field=replace(machine.field, security=None),
        hmi=replace(machine.hmi, security=None),
    )
