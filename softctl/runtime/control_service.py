"""The controller in real time: a scan loop, its field link and its HMI server."""

from __future__ import annotations

import asyncio
import ssl
import time
from collections.abc import Callable, Sequence
from random import Random

from softctl.control import ControlFault, Controller, ControlState, Releases
from softctl.control.retain import WarmStart
from softctl.errors import SoftctlError
from softctl.image import Side
from softctl.image.permissions import role_table
from softctl.journal import Journal
from softctl.logic import Application, OvertimeFault, TakeOver
from softctl.machine import Overrun, Value
from softctl.modbus.device import Device
from softctl.modbus.faults import Faults
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_journal import ControlJournal
from softctl.runtime.events import EventSink, ignore
from softctl.runtime.field_link import FieldLink
from softctl.runtime.happenings import tell
from softctl.runtime.modbus_server import ModbusServer
from softctl.runtime.server_settings import identification, serve
from softctl.runtime.state import StateKeeper
from softctl.runtime.tasks import end_task
from softctl.runtime.tls_files import ClientTls, require_tls
from softctl.runtime.watchdog import ScanWatchdog

_REPORT_EVERY_NS = 5_000_000_000
_KEEPS = 4
"""Exchanges in the fail-safe time where scans are further apart."""


class ControlService:
    """Runs a controller with a fixed period against one field and serves its HMI map.

    Programs see the planned instant of each scan, not the actual one, so timers run on
    a grid without drift. A scan that is not done at the next planned instant makes that
    release an overrun, which is counted and dealt with as the machine file says.
    `commands` are given once, as an HMI would, as soon as the field link is healthy.
    `keeper` saves RETAIN values, if there is one; each scan's are saved before its outputs
    go out. `journal` takes what happens and the values of points. `faults` are what goes
    wrong on the HMI server's wire on purpose, none at first.
    """

    def __init__(
        self,
        controller: Controller,
        clock: MachineClock,
        sink: EventSink = ignore,
        commands: Sequence[str] = (),
        keeper: StateKeeper | None = None,
        journal: Journal | None = None,
    ) -> None:
        self.controller = controller
        self._commands = tuple(commands)
        self.clock = clock
        self._journal: ControlJournal | None = None
        if journal is not None:
            self._journal = ControlJournal(controller, journal, clock.now_ns)
            sink = self._journal.listening(sink)
        self._sink = sink
        self._keeper = keeper
        endpoint = controller.machine.hmi
        hmi = controller.hmi
        roles = role_table(controller.machine, Side.HMI)
        device = Device(
            hmi.bank,
            endpoint.unit,
            write_check=hmi.check_write,
            permit=None if roles is None else roles.permits,
            on_write=None if self._journal is None else self._journal.note_write,
            identification=identification(controller.machine, endpoint, "soft controller"),
        )
        self.faults = Faults(Random(controller.machine.seed))
        self.server = ModbusServer(serve([device], endpoint, self.faults))
        self._link: FieldLink | None = None
        self._task: asyncio.Task[None] | None = None
        self._serving: tuple[str, int, ssl.SSLContext | None] = ("", 0, None)
        self._reported_at_ns = 0
        self._reported_overruns = 0
        self._next: tuple[Application, asyncio.Future[TakeOver]] | None = None
        self._watchdog: ScanWatchdog | None = None
        self._scanned_at_ns: int | None = None
        self.after_scan: list[Callable[[int, int], None]] = []
        """Called after each scan with its duration and its jitter, in wall nanoseconds."""

    @property
    def now_ns(self) -> int:
        """The machine time."""
        return self.clock.now_ns()

    @property
    def scan_age_ns(self) -> int | None:
        """Wall time since the last scan ended, None before the first."""
        at_ns = self._scanned_at_ns
        return None if at_ns is None else time.monotonic_ns() - at_ns

    async def change(self, application: Application) -> TakeOver:
        """Run another version of the programs from the next scan on (`Controller.change`)."""
        if self._next is not None:
            raise SoftctlError("another change of the program is on its way")
        changed: asyncio.Future[TakeOver] = asyncio.get_running_loop().create_future()
        self._next = application, changed
        return await changed

    def stop(self, by: str) -> None:
        """Stop the programs; outputs go to fail-safe and stay there until `restart`."""
        self.controller.stop(self.now_ns, by)
        self._sink("programs stopped", by=by)

    def restart(self, by: str, *, cold: bool = False) -> WarmStart:
        """Start the programs anew (`Controller.restart`); raises SoftctlError if they run."""
        warm = self.controller.restart(cold=cold)
        if self._keeper is not None:
            self._keeper.bind(self.controller)
        how = "cold" if cold else "warm"
        self._sink("programs restarted", how=how, restored=warm.restored, by=by)
        return warm

    def write(self, name: str, value: Value, by: str) -> Value:
        """Write a command or set point as an HMI does; what its point took of the value.

        Raises SoftctlError for a name or value that an HMI could not write either.
        """
        taken = self.controller.hmi.write(name, value)
        if self._journal is not None:
            self._journal.note_written(name, by)
        return taken

    def note(self, kind: str, name: str, what: str, by: str, /, **details: object) -> None:
        """Put into the journal what somebody did to the machine around the controller."""
        if self._journal is not None:
            self._journal.note(kind, name, what, by, details)

    async def start(
        self,
        host: str,
        port: int,
        field: tuple[str, int],
        *,
        tls: ssl.SSLContext | None = None,
        field_tls: ClientTls | None = None,
    ) -> tuple[str, int]:
        """Listen for HMIs, start scanning and return where it listens; raises SoftctlError.

        `tls` is the HMI server's, `field_tls` the field link's; both are None where the
        machine file asks for none, and only there.
        """
        controller = self.controller
        machine = controller.machine
        require_tls(machine.hmi, tls)
        require_tls(machine.field, field_tls)
        if self._keeper is not None:
            self._keeper.start(self._sink)
        self.faults.started_ns = time.monotonic_ns()
        where = await self.server.start(host, port, tls, self._sink)
        self._serving = *where, tls
        if self._journal is not None:
            self._journal.note_run("started")
        self._link = FieldLink(machine, controller.field_banks, *field, self._sink, field_tls)
        if machine.watchdog_ns is not None:
            self._watchdog = ScanWatchdog(
                machine.watchdog_ns, self._link.abandon, fault=OvertimeFault
            )
            self._watchdog.start()
        self._task = asyncio.create_task(self._run(self._link))
        return where

    async def stop_serving(self) -> None:
        """Close the HMI server and its connections; scans go on."""
        await self.server.close()

    async def serve_again(self) -> None:
        """Open it where it was; raises SoftctlError."""
        host, port, tls = self._serving
        await self.server.start(host, port, tls, self._sink)

    async def close(self) -> None:
        """Stop scanning, leave the outputs at fail-safe and close both connections."""
        if self._task is not None:
            await end_task(self._task)
        if self._watchdog is not None:
            self._watchdog.close()
        if self._link is not None:
            self.controller.go_fail_safe()
            await self._link.write_last()
            await self._link.close()
        await self.server.close()
        if self._keeper is not None:
            self._keeper.close()
        if self._journal is not None:
            self._journal.note_run("stopped")
            self._journal.close()

    async def wait(self) -> None:
        """Return only if the scan loop ends, with its error."""
        assert self._task is not None
        await asyncio.shield(self._task)

    async def _run(self, link: FieldLink) -> None:
        clock, machine = self.clock, self.controller.machine
        keep_s = max(machine.fail_safe_after_ns / _KEEPS, machine.scan_ns) / 1e9
        releases = Releases(machine.scan_ns, machine.overrun, clock.now_ns())
        while True:
            release_ns = releases.due_ns
            while not await clock.sleep_until(release_ns, keep_s):
                await self._keep(link)
            began_ns, started_ns = time.monotonic_ns(), clock.now_ns()
            late_ns = 0 if clock.is_paused else max(0, started_ns - release_ns)
            await self._scan(link, release_ns)
            ended_ns = clock.now_ns()
            overruns = releases.end(ended_ns)
            took_ns = time.monotonic_ns() - began_ns
            jitter_ns = clock.wall_ns(late_ns)
            self.controller.statistics.note(
                duration_ns=took_ns, jitter_ns=jitter_ns, overruns=overruns
            )
            self._scanned_at_ns = time.monotonic_ns()
            for note in self.after_scan:
                note(took_ns, jitter_ns)
            self._report_overruns()
            if overruns and machine.overrun is Overrun.STOP:
                took_ms, period_ms = (ended_ns - release_ns) / 1e6, machine.scan_ns / 1e6
                self._fail(
                    f"expected scans to end within {period_ms:g} ms of their planned instant, "
                    f"got one that took {took_ms:.1f} ms"
                )

    async def _keep(self, link: FieldLink) -> None:
        """One exchange between two scans that are far apart, because time is slow or stands.

        The wire knows no machine time: the cards' watchdog wants writes, and a field that
        is lost meanwhile has to find fail-safe values when it is back. What people did
        meanwhile is noted, and other programs are taken over.
        """
        if not link.healthy or self.controller.state is not ControlState.RUNNING:
            self.controller.go_fail_safe()
        await link.read_inputs()
        if self._next is not None:
            self._change(*self._next)
        await link.write_outputs()
        self._report_happenings()

    async def _scan(self, link: FieldLink, release_ns: int) -> None:
        controller = self.controller
        await link.read_inputs()
        controller.link_healthy = link.healthy
        controller.clients = self.server.connections
        if self._next is not None:
            self._change(*self._next)
        if self._commands and controller.link_healthy:
            controller.hmi.give(self._commands)
            self._commands = ()
        was_faulted = controller.fault is not None
        is_late = self._guarded_scan(release_ns)
        if self._keeper is not None:
            self._keeper.save()
        if controller.fault is not None and not was_faulted:
            self._sink("program stopped, outputs at fail-safe", reason=str(controller.fault))
        if is_late:
            limit_s = (controller.machine.watchdog_ns or 0) / 1e9
            self._fail(f"expected a scan to end within {limit_s:g} s, got one that hung")
        await link.write_outputs()
        self._report_happenings()
        if self._journal is not None:
            self._journal.sample()
        controller.journal_fault = self._has_trouble()

    def _guarded_scan(self, release_ns: int) -> bool:
        """One scan of the controller; True when it took longer than the watchdog allows."""
        watchdog = self._watchdog
        if watchdog is None:
            self.controller.scan(release_ns)
            return False
        try:
            with watchdog:
                self.controller.scan(release_ns)
        except OvertimeFault:  # it struck where no program was at work
            return True
        return watchdog.is_late

    def _fail(self, reason: str) -> None:
        """Stop the programs, if they run, and say so."""
        if self.controller.state is ControlState.RUNNING:
            self.controller.fail(ControlFault(reason), self.now_ns)
            self._sink("program stopped, outputs at fail-safe", reason=reason)

    def _change(self, application: Application, changed: asyncio.Future[TakeOver]) -> None:
        self._next = None
        taken = self.controller.change(application)
        if not changed.done():
            changed.set_result(taken)
        if self._keeper is not None:
            self._keeper.bind(self.controller)
        details = {"reset": ", ".join(taken.reset), "gone": ", ".join(taken.gone)}
        told = {name: text for name, text in details.items() if text}
        self._sink("program changed", kept=taken.kept, **told)

    def _has_trouble(self) -> bool:
        """Whether something that should outlive the controller cannot be written."""
        unsaved = self._keeper is not None and bool(self._keeper.trouble)
        return unsaved or (self._journal is not None and self._journal.has_trouble)

    def _report_happenings(self) -> None:
        watch = self.controller.watch
        while watch.happenings:
            happening = watch.happenings.popleft()
            if self._journal is not None:
                self._journal.note_happening(happening)
            tell(happening, watch.board, self._sink)

    def _report_overruns(self) -> None:
        """Say at most every few seconds that the scan does not keep up."""
        now_ns = time.monotonic_ns()
        missed = self.controller.statistics.overruns - self._reported_overruns
        if missed and now_ns - self._reported_at_ns > _REPORT_EVERY_NS:
            self._sink("scan does not keep up", overruns=missed, speed=self.clock.speed)
            self._reported_at_ns = now_ns
            self._reported_overruns += missed
