"""The commands that run until they are stopped: run, field and control."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from softctl.audit import Auditor, Drill
from softctl.cli.mqtt import MqttOptions, MqttSide, make_mqtt
from softctl.cli.output import Output, open_output
from softctl.cli.page import PageOptions, load_page, make_page
from softctl.cli.status import Status
from softctl.control import Controller
from softctl.errors import SoftctlError
from softctl.field import FieldDevice
from softctl.journal import Journal, JournalWriter, UnkeptJournal
from softctl.machine import Machine
from softctl.runtime.auditing import FieldAudit, still_for
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.drill_runner import DrillRunner, Timing
from softctl.runtime.event_feed import EventFeed
from softctl.runtime.field_service import FieldService
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder
from softctl.runtime.hosts import require_drivable, require_simulated
from softctl.runtime.loop import run_loop, settle_memory
from softctl.runtime.modbus_server import Listener
from softctl.runtime.program_watch import ProgramWatch
from softctl.runtime.service_port import ServicePort
from softctl.runtime.service_requests import ServiceRequests
from softctl.runtime.state import (
    JOURNAL_FILE,
    SERVICE_SOCKET,
    StateKeeper,
    state_directory,
)
from softctl.runtime.tls_files import controller_tls, server_tls
from softctl.runtime.wire_faults import WireFaultFile

if TYPE_CHECKING:
    from softctl.web.start import Page

Where = tuple[str | None, int | None]
"""A host and a port from the command line; None takes the machine file's."""

Loop = Callable[[], Coroutine[Any, Any, None]]

Drills = tuple[Sequence[Drill], Timing, Callable[[DrillRunner], None]]
"""Which drills, at which times, and who wants to know their runner."""

Serve = Callable[[Output, asyncio.Event], Coroutine[Any, Any, None]]
"""Starts services, runs them until the event is set and closes them."""


@dataclass(frozen=True, slots=True)
class Options:
    """What all three commands have in common; `seconds` None runs until stopped.

    The listener is told what clients ask of the server named by `listens_at`.
    """

    folder: Path | None
    speed: float
    as_json: bool
    seconds: float | None
    commands: tuple[str, ...] = ()
    wire_faults: Path | None = None
    state: Path | None = None
    cold: bool = False
    has_journal: bool = True
    watch: bool = False
    listener: Listener | None = None
    listens_at: str = "hmi"
    metrics: int | None = None
    drills: Drills | None = None
    page: PageOptions | None = None
    field_audit: FieldAudit | None = None
    mqtt: MqttOptions | None = None

    def load(self) -> MachineFolder:
        """The machine folder, or the demo; raises ProblemsError."""
        return load_folder(self.folder or demo_folder())

    def state_of(self, folder: MachineFolder) -> Path:
        """Where the controller's RETAIN values, journal and socket are."""
        return self.state or state_directory(folder.path, folder.machine.name)

    def load_faults(self, machine: Machine) -> WireFaultFile | None:
        """The file of wire faults if one is asked for; raises ProblemsError."""
        return None if self.wire_faults is None else WireFaultFile(self.wire_faults, machine)


def run(options: Options, *, field_port: int | None, hmi: Where) -> None:
    """Field and controller in one process, meeting over loopback TCP."""
    folder = options.load()
    machine = folder.machine
    port = machine.field.port if field_port is None else field_port
    device = FieldDevice(machine, folder.build_plant())
    side = ControllerSide(options, folder)
    file = options.load_faults(machine)
    status = Status(machine, device, side.controller)

    async def serve(output: Output, stop: asyncio.Event) -> None:
        clock = MachineClock(options.speed)
        field = FieldService(device, clock, output.event)
        if options.listener is not None and options.listens_at == "field":
            field.server.observe(options.listener)
        control = side.service(clock, output)
        status.servers = {"field": field.server, "hmi": control.server}
        faults = _put_in_force(file, status, output)
        side.make_page(control, field, output)
        async with closing(field.close), closing(side.close):
            at_field = await field.start("127.0.0.1", port, server_tls(machine.field, folder.path))
            at_hmi = await side.start(control, hmi, at_field, output)
            output.begin(clock=clock, field=at_field, hmi=at_hmi)
            await until_stopped(
                options, stop, output, field.wait, control.wait, *side.loops, *faults
            )

    side.controller.hmi.require_commands(options.commands)
    run_serving(serve, open_output(status, as_json=options.as_json))


def run_field(options: Options, where: Where) -> None:
    """The simulated machine alone."""
    folder = options.load()
    host, port = _where(where, folder.machine.field.host, folder.machine.field.port)
    device = FieldDevice(folder.machine, folder.build_plant())
    file = options.load_faults(folder.machine)
    status = Status(folder.machine, device, None)

    async def serve(output: Output, stop: asyncio.Event) -> None:
        clock = MachineClock(options.speed)
        field = FieldService(device, clock, output.event)
        status.servers = {"field": field.server}
        if options.field_audit is not None:
            options.field_audit.watch(field)
        faults = _put_in_force(file, status, output)
        async with closing(field.close):
            tls = server_tls(folder.machine.field, folder.path)
            output.begin(clock=clock, field=await field.start(host, port, tls), hmi=None)
            await until_stopped(options, stop, output, field.wait, *faults)

    run_serving(serve, open_output(status, as_json=options.as_json))


def run_control(options: Options, *, field: str | None, drive: str | None, hmi: Where) -> None:
    """The controller alone."""
    folder = options.load()
    machine = folder.machine
    at_field = endpoint(field) if field else (machine.field.host, machine.field.port)
    require_drivable(machine, at_field[0], drive)
    if options.wire_faults is not None:
        require_simulated(at_field[0])
    side = ControllerSide(options, folder)
    file = options.load_faults(machine)
    status = Status(machine, None, side.controller)

    async def serve(output: Output, stop: asyncio.Event) -> None:
        clock = MachineClock(options.speed)
        control = side.service(clock, output)
        status.servers = {"hmi": control.server}
        faults = _put_in_force(file, status, output)
        side.make_page(control, None, output)
        async with closing(side.close):
            at_hmi = await side.start(control, hmi, at_field, output)
            output.begin(clock=clock, field=at_field, hmi=at_hmi)
            await until_stopped(options, stop, output, control.wait, *side.loops, *faults)

    side.controller.hmi.require_commands(options.commands)
    run_serving(serve, open_output(status, as_json=options.as_json))


def _put_in_force(file: WireFaultFile | None, status: Status, output: Output) -> list[Loop]:
    """Let the faults of the file begin, and give what watches it, to run beside the loops."""
    if file is None:
        return []
    file.attach(status.faults(), output.event)
    return [file.watch]


class ControllerSide:
    """A controller with what belongs to it: saved state, journal, socket, program files."""

    def __init__(self, options: Options, folder: MachineFolder) -> None:
        self._options = options
        self._folder = folder
        self._state = options.state_of(folder)
        self.controller = Controller(folder.machine, folder.application)
        self.loops: list[Loop] = []
        self._noted: Journal = UnkeptJournal()
        self._feed: EventFeed | None = None
        self._page: Page | None = None
        if options.page is not None:
            load_page()
        self._mqtt: MqttSide | None = None
        self._closers: list[Callable[[], Awaitable[None]]] = []

    def service(self, clock: MachineClock, output: Output) -> ControlService:
        """The controller in real time; raises SoftctlError for a bad state directory."""
        options = self._options
        keeper = StateKeeper(self.controller, self._state, cold=options.cold)
        if options.has_journal:
            self._noted = self._journal(output) or self._noted
        self._feed = EventFeed(self._noted, self._folder.machine.points)
        control = ControlService(
            self.controller, clock, output.event, options.commands, keeper, self._noted
        )
        self._closers.append(control.close)
        self._mqtt = make_mqtt(options.mqtt, self._folder, control, self._feed, output)
        if options.listener is not None and options.listens_at == "hmi":
            control.server.observe(options.listener)
            if isinstance(options.listener, Auditor):
                options.listener.still_for = still_for(control.faults, self._folder.machine)
                options.listener.begin()
        return control

    def _journal(self, output: Output) -> JournalWriter | None:
        """The journal; where nobody asked for a place and there is none, it does without."""
        try:
            return JournalWriter(self._state / JOURNAL_FILE)
        except SoftctlError as error:
            if self._options.state is not None:
                raise
            output.event("no journal", reason=str(error))
            return None

    async def start(
        self, control: ControlService, hmi: Where, at_field: tuple[str, int], output: Output
    ) -> tuple[str, int]:
        """Start it with its socket, and return where its HMI server listens."""
        machine, path = self._folder.machine, self._folder.path
        host, port = _where(hmi, machine.hmi.host, machine.hmi.port)
        if self._mqtt is not None and self._mqtt.broker is not None:
            # Before the first scan, which a new process would hold up.
            self._closers.append(self._mqtt.broker.close)
            found = await self._mqtt.broker.start()
            output.event("mqtt broker on this computer", url=f"mqtt://127.0.0.1:{found}")
        settle_memory()
        where = await control.start(
            host,
            port,
            at_field,
            tls=server_tls(machine.hmi, path),
            field_tls=controller_tls(machine.field, path),
        )
        entrance = ServicePort(
            self._state / SERVICE_SOCKET, ServiceRequests(control, self._feed).answer
        )
        try:
            await entrance.start()
        except SoftctlError as error:
            output.event("no entrance for stop, load, force and alarms", reason=str(error))
        else:
            self._closers.append(entrance.close)
        if self._page is not None:
            self._closers.append(self._page.close)
            output.event("bench page", url=await self._page.start())
        if self._mqtt is not None:
            self._closers.append(self._mqtt.bridge.close)
            self._mqtt.bridge.start()
            self.loops.append(partial(self._mqtt.watch, output))
        if self._options.metrics is not None:
            await self._start_metrics(control, self._options.metrics, output)
        if self._options.drills is not None:
            drills, timing, take = self._options.drills
            runner = DrillRunner(control, drills, timing, output.event)
            take(runner)
            self.loops.append(runner.run)
        if self._options.watch:
            self.loops.append(ProgramWatch(path, control, output.event).watch)
        return where

    async def _start_metrics(self, control: ControlService, port: int, output: Output) -> None:
        from softctl.runtime.metrics_port import metrics_port

        server = metrics_port(control)
        found = await server.start(port)
        self._closers.append(server.close)
        output.event("health and metrics", url=f"http://127.0.0.1:{found}/metrics")

    def make_page(
        self, control: ControlService, field: FieldService | None, output: Output
    ) -> None:
        """Get the bench page ready, where one is asked for; it is served from `start` on.

        To be called before that: what it imports would hold up the first scans.
        """
        if self._options.page is not None:
            self._page = make_page(
                self._options.page, self._folder, control, field, self._noted, output.event
            )

    async def close(self) -> None:
        """Close what was started, the last first."""
        while self._closers:
            await self._closers.pop()()


def _where(given: Where, host: str, port: int) -> tuple[str, int]:
    return given[0] or host, port if given[1] is None else given[1]


def endpoint(text: str) -> tuple[str, int]:
    """The host and port of a text such as 127.0.0.1:15020; raises SoftctlError."""
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or not 0 < int(port) < 65_536:
        raise SoftctlError(f"expected HOST:PORT such as 127.0.0.1:15020, got {text}")
    return host.strip("[]"), int(port)


def run_serving(serve: Serve, output: Output) -> None:
    """Serve until it ends, or until Ctrl-C or SIGTERM."""
    with output:
        run_loop(_with_signals(serve, output))


async def _with_signals(serve: Serve, output: Output) -> None:
    """Ctrl-C and SIGTERM set an event from the first moment on, so that every stop is clean."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, stop.set)
    await serve(output, stop)


@contextlib.asynccontextmanager
async def closing(close: Callable[[], Awaitable[None]]) -> AsyncIterator[None]:
    """Close something at the end, whatever happens."""
    try:
        yield
    finally:
        await close()


async def until_stopped(
    options: Options,
    stop: asyncio.Event,
    output: Output,
    *loops: Loop,
) -> None:
    """Return when asked to stop or at the end of `--for`; a loop that fails raises its error."""
    tasks: list[asyncio.Task[Any]] = [asyncio.create_task(loop()) for loop in loops]
    tasks.append(asyncio.create_task(output.refresh()))
    tasks.append(asyncio.create_task(stop.wait()))
    try:
        done, _ = await asyncio.wait(
            tasks, timeout=options.seconds, return_when=asyncio.FIRST_COMPLETED
        )
        for task in done:
            task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
