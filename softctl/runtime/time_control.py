"""Machine time as a person at a bench wants it: standing, scan by scan, slower or faster.

1. Only machine time changes. The wire goes on: while no scan is due, the controller repeats
   its exchange with the field (`ControlService`), so the cards' watchdog has real writes,
   a field that is lost is noticed, and outputs are at fail-safe when it is back.
2. A live HMI sees the run's own time and no other. Where one is connected nothing can be
   changed, and when one connects the run's own time comes back.
3. As fast as possible is a clock that stands and is put forward by a scan whenever the scan
   before it has ended: no plant or program falls behind, whatever the computer can do.
"""

from __future__ import annotations

import asyncio

from softctl.errors import SoftctlError
from softctl.modbus.clients import Client
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.events import EventSink
from softctl.runtime.tasks import end_task

SLOWEST, FASTEST = 0.01, 100.0
_SCAN_WITHIN_S = 10.0


class TimeControl:
    """The clock of a field and a controller that are both in this process."""

    def __init__(self, clock: MachineClock, service: ControlService, sink: EventSink) -> None:
        self._clock = clock
        self._service = service
        self._sink = sink
        self._own_speed = clock.speed
        self._racing: asyncio.Task[None] | None = None
        self._scanned = asyncio.Event()
        service.after_scan.append(lambda took_ns, jitter_ns: self._scanned.set())
        service.server.on_admitted.append(self._come_back)

    @property
    def is_paused(self) -> bool:
        """Whether machine time stands."""
        return self._clock.is_paused and self._racing is None

    @property
    def speed(self) -> float:
        """Machine seconds in a second, 0 for as fast as possible."""
        return 0.0 if self._racing is not None else self._clock.speed

    def pause(self, by: str) -> None:
        """Let machine time stand; raises SoftctlError."""
        self._require_nobody()
        self._end_race()
        self._clock.pause()
        self._sink("time stands", by=by)

    def go(self, by: str) -> None:
        """Let it run again, at the speed that it had."""
        self._end_race()
        self._clock.go()
        self._sink("time runs", speed=self._clock.speed, by=by)

    async def scan(self, by: str) -> None:
        """Make one scan while time stands, and return when it is done; raises SoftctlError."""
        self._require_nobody()
        if not self.is_paused:
            raise SoftctlError("expected time that stands for a single scan, got time that runs")
        self._sink("one scan", by=by)
        await self._scan()

    def set_speed(self, factor: float, by: str) -> None:
        """Run so many times as fast as the wall clock; raises SoftctlError."""
        if not SLOWEST <= factor <= FASTEST:
            raise SoftctlError(f"expected a speed from {SLOWEST:g} to {FASTEST:g}, got {factor:g}")
        if factor != self._own_speed:
            self._require_nobody()
        self._end_race()
        self._clock.set_speed(factor)
        self._clock.go()
        self._sink("time runs", speed=factor, by=by)

    def race(self, by: str) -> None:
        """Make one scan after the other without waiting; raises SoftctlError."""
        self._require_nobody()
        self._clock.pause()
        if self._racing is None:
            self._racing = asyncio.create_task(self._race())
        self._sink("time runs as fast as it can", by=by)

    async def close(self) -> None:
        """End a race under way."""
        if self._racing is not None:
            await end_task(self._racing)

    def _require_nobody(self) -> None:
        count = self._service.server.connections
        if count:
            raise SoftctlError(
                f"expected no HMI client to be connected, got {count}: "
                "a live HMI sees the machine at its own time only"
            )

    def _come_back(self, client: Client) -> None:
        """A live client has connected: from now on time is the run's own."""
        if self._clock.is_paused or self._clock.speed != self._own_speed:
            self._end_race()
            self._clock.set_speed(self._own_speed)
            self._clock.go()
            self._sink("time runs", speed=self._own_speed, by=f"the client {client.name}")

    def _end_race(self) -> None:
        if self._racing is not None:
            self._racing.cancel()
            self._racing = None

    async def _race(self) -> None:
        try:
            while True:
                await self._scan()
        except SoftctlError as error:
            self._racing = None
            self._sink("time stands", reason=str(error))

    async def _scan(self) -> None:
        """Put the clock forward by one period, in which exactly one release lies."""
        self._scanned.clear()
        self._clock.jump(self._service.controller.machine.scan_ns)
        try:
            await asyncio.wait_for(self._scanned.wait(), _SCAN_WITHIN_S)
        except TimeoutError:
            raise SoftctlError(f"expected a scan within {_SCAN_WITHIN_S:g} s, got none") from None
