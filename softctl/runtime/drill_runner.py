"""Runs drills against whoever is connected to a controller's HMI server."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass

from softctl.audit.drills import Drill, DrillResult, Judge, Stretch, Watcher, scope_of
from softctl.audit.uses import Map
from softctl.errors import SoftctlError
from softctl.image import Side, point_setter
from softctl.modbus.faults import Rule
from softctl.runtime.control_service import ControlService
from softctl.runtime.events import EventSink

_LOOK_EVERY_S = 0.05
_SETTLE_S = 1.0


@dataclass(frozen=True, slots=True)
class Timing:
    """How long to watch before, and how long an HMI may take to be back."""

    before_ns: int = 10_000_000_000
    within_ns: int = 30_000_000_000


class DrillRunner:
    """One after the other, each judged before the next begins."""

    def __init__(
        self,
        service: ControlService,
        drills: Sequence[Drill],
        timing: Timing,
        sink: EventSink,
    ) -> None:
        self.results: list[DrillResult] = []
        self.running: Drill | None = None
        """The drill that is under way; None before the first and after the last."""
        self.phase = ""
        """before (watching what the HMI does), during, or after (its way back)."""
        self._until_ns = 0
        self._service = service
        self._drills = drills
        self._timing = timing
        self._sink = sink
        self._map = Map(service.controller.machine)
        self._now_ns = service.server.clock_ns
        self._watcher = Watcher(self._now_ns)

    async def run(self) -> None:
        """Watch, then drill; raises SoftctlError when nobody polls."""
        before = self._service.server.observe(self._watcher)
        try:
            await self._run()
        finally:
            self._service.server.observe(before)
            self.running, self.phase = None, ""

    @property
    def left_ns(self) -> int:
        """How much of the phase is left, at most."""
        return max(0, self._until_ns - self._now_ns())

    def _enter(self, phase: str, lasts_ns: int) -> None:
        self.phase, self._until_ns = phase, self._now_ns() + lasts_ns

    async def _run(self) -> None:
        self._enter("before", self._timing.before_ns)
        self._sink("watching what the HMI does", seconds=self._timing.before_ns / 1e9)
        await asyncio.sleep(self._timing.before_ns / 1e9)
        before = self._watcher.next()
        if not any(before.polled(host) for host in before.hosts):
            raise SoftctlError(
                "expected an HMI that polls, got none: connect it, open a screen and start again"
            )
        judge = Judge(self._map, before, self._timing.within_ns)
        for drill in self._drills:
            await self._drill(drill, judge)

    async def _drill(self, drill: Drill, judge: Judge) -> None:
        self._sink("drill begins", drill=drill.name, what=drill.title)
        self.running = drill
        self._watcher.next()
        self._enter("during", drill.lasts_ns)
        await self._strike(drill)
        during = self._watcher.next()
        self._enter("after", self._timing.within_ns)
        after = await self._recover(judge)
        for result in judge.judge(drill, during, after):
            self.results.append(result)
            failed = [check.name for check in result.checks if check.verdict.value == "fail"]
            self._sink(
                "drill ended",
                drill=drill.name,
                hmi=result.host,
                verdict=result.verdict.value,
                **({"failed": ", ".join(failed)} if failed else {}),
            )

    async def _strike(self, drill: Drill) -> None:
        lasts_s = drill.lasts_ns / 1e9
        if drill.restart:
            await self._restart(lasts_s)
            return
        faults = self._service.faults
        scope = scope_of(drill, self._map)
        rules = [Rule(effect, scope, drill.name) for effect in drill.effects]
        for rule in rules:
            faults.add(rule)
        try:
            await asyncio.sleep(lasts_s)
        finally:
            for rule in rules:
                faults.remove(rule)

    async def _restart(self, lasts_s: float) -> None:
        service = self._service
        await service.stop_serving()
        controller = service.controller
        for point in controller.hmi.written:
            bank, machine = controller.hmi.bank, controller.machine
            point_setter(bank, machine, point, Side.HMI)(point.initial)
        await asyncio.sleep(lasts_s)
        await service.serve_again()

    async def _recover(self, judge: Judge) -> Stretch:
        """Until all is polled again and a moment longer, or the time is over."""
        end_ns = self._now_ns() + self._timing.within_ns
        while self._now_ns() < end_ns and not judge.is_back(self._watcher.stretch):
            await asyncio.sleep(_LOOK_EVERY_S)
        await asyncio.sleep(_SETTLE_S)
        return self._watcher.next()
