"""Our own controller in real time, against our own field or somebody else's.

With our own field both run in this process and meet over loopback TCP, as `softctl run` has
them. Whoever plays a trial writes the controller's HMI map over TCP as an HMI does, breaks the
field's equipment, and looks at the controller after every scan, as in virtual time: an HMI
that asks at its own pace would not see a step of a single scan.
"""

from __future__ import annotations

import asyncio
from collections import deque
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
from softctl.runtime.control_service import ControlService
from softctl.runtime.field_service import FieldService
from softctl.runtime.hmi_client import HmiClient
from softctl.runtime.tls_files import ClientTls
from softctl.runtime.trial_clock import TrialClock
from softctl.trial import model
from softctl.trial.bench import SOURCE
from softctl.trial.model import Action, Parameters
from softctl.trial.names import Names, value_reader
from softctl.trial.parse import Surroundings, with_parameters
from softctl.trial.play import Flags, Player
from softctl.trial.run import at_plant_time, charts, flag_reader
from softctl.trial.visible import PROGRAM_FAULT, View

LOOPBACK = "127.0.0.1"
_BEGIN_WITHIN_S = 10.0
_SLACK_SCANS = 4
_SLACK_WALL_NS = 50_000_000
CUT_RULES = (Rule(Reset(), name="cut"), Rule(Deny(), name="cut"))


def slack_ns(machine: Machine, speed: float, wall_ns: int = _SLACK_WALL_NS) -> int:
    """How much later than in virtual time something may happen, or be seen, over a wire."""
    return _SLACK_SCANS * machine.scan_ns + int(wall_ns * speed)


class _Sample(NamedTuple):
    """What a scan left: its number, the releases until then with those skipped, the values."""

    scans: int
    releases: int
    values: tuple[Any, ...]
    flags: Flags


class LiveMachine:
    """A controller of ours in real time, its field, and an HMI's connection to it.

    Used as a context: it begins with the first scan on a healthy field link. `now_ns`
    counts from there, by the controller's own scans. Between parties that are ours the clock
    waits for whoever is late, so a busy computer spoils nothing.
    `their_field` is where somebody else's field is, with `field_tls` as its security asks.
    Where nobody `cuts` the wire, a faster clock leaves it as much more wall time before it
    counts as lost: a busy computer is no broken wire.
    """

    def __init__(
        self,
        around: Surroundings,
        equipment: Parameters,
        settings: Mapping[str, Value],
        speed: float,
        their_field: tuple[str, int] | None = None,
        field_tls: ClientTls | None = None,
        *,
        cuts: bool = True,
    ) -> None:
        machine = _in_the_clear(with_parameters(around.machine, equipment), their_field is None)
        if speed > 1 and not cuts:
            patience_ns = int(machine.fail_safe_after_ns * speed)
            machine = replace(machine, fail_safe_after_ns=patience_ns)
        self.machine = machine
        # Until the link is there, a faster clock would only give programs more time to miss it.
        self.clock = TrialClock(min(1.0, speed))
        self.field: FieldService | None = None
        self.plant = around.plant
        if their_field is None:
            self.plant = build_plant(machine, around.blocks)
            self.field = FieldService(FieldDevice(machine, self.plant), self.clock)
        self.controller = Controller(machine, around.application)
        self.control = ControlService(self.controller, self.clock)
        self.control.after_scan.append(self._note_scan)
        self.hmi = HmiClient(machine, LOOPBACK, 0)
        self.now_ns = 0
        self._speed = speed
        self._their_field = their_field
        self._field_tls = field_tls
        self._settings = settings
        self._first_release: int | None = None
        self._look: tuple[Callable[[], tuple[Any, ...]], Callable[[], Flags]] | None = None
        self._samples: deque[_Sample] = deque()
        self._woken = asyncio.Event()
        self._look_from = self._write_from = 0
        self._is_cut = False
        self._cut_until_ns: float | None = None

    @property
    def view(self) -> View:
        """What is seen of it, and can be done."""
        if self.field is not None:
            return View(is_inside=True, has_plant=True)
        why = "the wire to a field that is not ours is not cut"
        return View(is_inside=True, has_plant=False, why_no_cut=why)

    async def __aenter__(self) -> LiveMachine:
        try:
            at_field = self._their_field
            if self.field is not None:
                at_field = await self.field.start(LOOPBACK, 0)
            assert at_field is not None, "a field is ours or theirs"
            host, port = await self.control.start(LOOPBACK, 0, at_field, field_tls=self._field_tls)
            self.hmi = HmiClient(self.machine, host, port)
            await self.hmi.connect()
            for name, value in self._settings.items():
                await self.hmi.put(name, value)
            await self._begin(at_field)
        except BaseException:
            await self.__aexit__()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.hmi.close()
        await self.control.close()
        if self.field is not None:
            await self.field.close()

    async def play(self, player: Player, names: Names) -> None:
        """Let a trial look at every scan, and do what it says, until it is over."""
        read = value_reader(names, player.evaluator.names, self.controller, self.plant)
        flags = flag_reader(self.controller.instance, charts(self.controller.application))
        minds_faults = PROGRAM_FAULT not in player.evaluator.names
        self._samples.clear()
        self._look = read, flags
        try:
            while not player.is_over:
                one = await self._next()
                self._keep_times(one)
                has_seen = one.scans >= self._look_from
                for action in player.sample(
                    self.now_ns, one.values, one.flags, has_seen_deeds=has_seen
                ):
                    await self.carry_out(action)
                if minds_faults and self.controller.fault is not None:
                    player.stop(f"the program stopped: {self.controller.fault}")
        finally:
            self._look = None

    async def carry_out(self, action: Action) -> None:
        """Do what a row says; raises SoftctlError."""
        await self._do(action)
        # The next scan may have begun before the deed was done; the second has seen it.
        self._look_from = self.controller.statistics.scans + 2

    def _note_scan(self, _took_ns: int, _jitter_ns: int) -> None:
        """Keep what a scan left for the trial; called by the controller's loop."""
        if self.field is not None:
            self.clock.allow(self._before_overrun_ns())
        figures = self.controller.statistics
        releases = figures.scans + figures.overruns
        if self._first_release is None and self.controller.link_healthy:
            self._first_release = releases
            self.clock.set_speed(self._speed)
        if self._look is not None:
            read, flags = self._look
            self._samples.append(_Sample(figures.scans, releases, read(), flags()))
        self._woken.set()

    def _before_overrun_ns(self) -> int:
        """The last instant at which the next scan, due at the next of the grid, may still end."""
        period_ns = self.machine.scan_ns
        return (self.clock.now_ns() // period_ns + 2) * period_ns - 1

    async def _next(self) -> _Sample:
        """The next scan's sample."""
        while not self._samples:
            await self._scanned()
        return self._samples.popleft()

    async def _scanned(self) -> None:
        """Wait for a scan, or for the error that ends them; raises SoftctlError without either."""
        self._woken.clear()
        limit_s = _BEGIN_WITHIN_S + 10 * self.clock.wall_ns(self.machine.scan_ns) / 1e9
        try:
            async with asyncio.timeout(limit_s):
                await self._woken.wait()
        except TimeoutError:
            raise SoftctlError(f"expected a scan within {limit_s:g} s, got none") from None

    async def _begin(self, at_field: tuple[str, int]) -> None:
        try:
            async with asyncio.timeout(_BEGIN_WITHIN_S):
                while self._first_release is None:
                    await self._scanned()
        except TimeoutError:
            raise SoftctlError(
                f"expected a healthy link to the field at {at_field[0]}:{at_field[1]} within "
                f"{_BEGIN_WITHIN_S:g} s, got none"
            ) from None

    async def _do(self, action: Action) -> None:
        match action:
            case model.Write():
                # A command does not overtake what was done to the equipment before it.
                while self.controller.statistics.scans < self._write_from:
                    await self._scanned()
                for name, value in action.values.items():
                    await self.hmi.put(name, value)
            case model.Break():
                self.plant.inject(at_plant_time(action, self.plant.now_ns))
                self._write_from = self.controller.statistics.scans + 2
            case model.Mend():
                self.plant.mend(action.equipment, action.fault)
                self._write_from = self.controller.statistics.scans + 2
            case model.Force():
                self._force(action)
            case model.Release():
                self._release(action)
            case model.Wire():
                self._wire(action)

    def _keep_times(self, sample: _Sample) -> None:
        """End a cut whose time is over; at speed again once the link is healthy."""
        assert self._first_release is not None, "there are samples from the beginning on"
        self.now_ns = (sample.releases - self._first_release) * self.machine.scan_ns
        if self._cut_until_ns is not None and self.now_ns >= self._cut_until_ns:
            self._cut(False)
        if self.clock.speed != self._speed and not self._is_cut and self.controller.link_healthy:
            self.clock.set_speed(self._speed)

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
        """Cut or mend the wire; a cut is lived through at no more than the wall's speed.

        Communication time-outs are wall time, so faster they would take more machine time.
        """
        assert self.field is not None, "only our own field's wire is cut"
        self._is_cut = is_cut
        self._cut_until_ns = None
        self.field.faults.replace(CUT_RULES if is_cut else ())
        if is_cut:
            self.clock.set_speed(min(1.0, self._speed))


def _in_the_clear(machine: Machine, has_own_field: bool) -> Machine:
    """Without TLS between ends that are in this process, on loopback."""
    field = replace(machine.field, security=None) if has_own_field else machine.field
    return replace(machine, field=field, hmi=replace(machine.hmi, security=None))
