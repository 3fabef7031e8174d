"""The machine that runs in this process: its controller, and its field where that is here."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from softctl.errors import SoftctlError
from softctl.image import Side
from softctl.journal import Entry, Journal
from softctl.logic import Application, Source
from softctl.machine import Machine, Role
from softctl.modbus.faults import Faults
from softctl.picture import Terms
from softctl.plant import Plant
from softctl.runtime.checkout_file import SESSION_FILE
from softctl.runtime.control_service import ControlService
from softctl.runtime.field_service import FieldService
from softctl.runtime.folder import MachineFolder
from softctl.runtime.modbus_server import ModbusServer
from softctl.runtime.service_requests import ServiceRequests
from softctl.runtime.time_control import TimeControl
from softctl.web.bench import Answer, Row
from softctl.web.channels import Channels, Group
from softctl.web.drawings import draw_charts, draw_process, plant_channels
from softctl.web.drill_desk import drill_rows
from softctl.web.frame_tap import FrameTap
from softctl.web.history import Axis, History
from softctl.web.plant_acts import wire_effects
from softctl.web.programs import program_sources
from softctl.web.rows import client_rows, fault_rows, quick_states, wire_fault_rows
from softctl.web.trial_desk import trial_rows

_SECOND_NS = 1_000_000_000
_HERE = (
    "forces",
    "alarms",
    "programs",
    "wire",
    "clients",
    "trials",
    "drills",
    "checkout",
)
"""What every controller of this process offers."""


class LocalBench:
    """A controller of this process; `field` is None where the field is another's."""

    history_clock = "machine"

    def __init__(
        self,
        folder: MachineFolder,
        control: ControlService,
        field: FieldService | None,
        journal: Journal,
        path: Path | None,
    ) -> None:
        self.folder = folder
        self.machine: Machine = folder.machine
        self.control = control
        self.field = field
        self._journal_path = path
        self._started_wall_ns = time.time_ns() - control.now_ns
        self._requests = ServiceRequests(control)
        self.time = None if field is None else TimeControl(control.clock, control, self._tell)
        self._rates = _Rates()
        self._trials = trial_rows(folder)
        self._picture = draw_process(folder, has_plant=field is not None)
        journal.listeners.append(self._hear)
        self.on_entry: Callable[[Entry], None] = lambda entry: None
        """Takes each entry of the journal, as it is noted."""

    @property
    def application(self) -> Application:
        """The programs that run now."""
        return self.control.controller.application

    @property
    def running(self) -> object:
        """The instance that the controller runs."""
        return self.control.controller.instance

    @property
    def plant(self) -> Plant | None:
        """The simulated machine, where it is in this process."""
        return None if self.field is None else self.field.device.plant

    @property
    def why_not(self) -> Mapping[str, str]:
        """What this bench does not offer, and why."""
        plant = "" if self.field is not None else "The field runs in another process."
        kept = "" if self._journal_path is not None else "This run keeps no journal."
        here = dict.fromkeys(_HERE, "")
        far = dict.fromkeys(("plant", "faults", "time"), plant)
        return {**here, **far, "journal": kept}

    @property
    def checkout_path(self) -> Path | None:
        """Where a checkout's session is kept: beside the journal."""
        path = self._journal_path
        return None if path is None else path.with_name(SESSION_FILE)

    def now_s(self) -> float:
        """Machine time."""
        return self.control.now_ns / _SECOND_NS

    async def ask(self, request: Mapping[str, Any]) -> Answer:
        """What the service socket would answer."""
        return await self._requests.answer(request)

    def note(self, kind: str, name: str, what: str, by: str, /, **details: object) -> None:
        """Into the controller's journal."""
        self.control.note(kind, name, what, by, **details)

    def _tell(self, event: str, /, by: str = "", **fields: object) -> None:
        self.control.note("run", "", event, by, **fields)

    def _hear(self, entry: Entry) -> None:
        self.on_entry(entry)

    def history(self) -> History:
        """What the journal of this run, and of those before it, knows."""
        if self._journal_path is None:
            raise SoftctlError("expected a run that keeps a journal, got one without")
        return History(self._journal_path, Axis(self._started_wall_ns))

    # Channels

    def channels(self) -> Channels:
        """Points, steps, alarms and figures; variables and terminals where they are asked for."""
        self._terms = Terms(self.application, self.control.controller.instance)
        drawn = plant_channels(self._picture) if self.plant is not None else ()
        standing = (
            self._points(),
            *self._steps(),
            self._alarms(),
            self._figures(),
            _waiting(self._terms),
            *self._plant_groups(drawn),
        )
        return Channels(standing, self._reader)

    def _plant_groups(self, names: Sequence[str]) -> Iterator[Group]:
        """Terminals in one group, and the parts of each carrier."""
        plant = self.plant
        if plant is None or not names:
            return
        terminals = [name for name in names if name.startswith("plant:")]
        paths = [name.partition(":")[2] for name in terminals]
        yield Group(tuple(terminals), plant.reader(paths))
        carriers = [name.partition(":")[2] for name in names if name.startswith("parts:")]
        if carriers:
            yield Group(tuple(f"parts:{one}" for one in carriers), _parts(plant, carriers))

    def _points(self) -> Group:
        points = [p for p in self.machine.points.values() if p.role is not Role.STEP]
        read = self.control.controller.instance.reader([p.source or p.name for p in points])
        return Group(tuple(f"point:{p.name}" for p in points), read)

    def _steps(self) -> Sequence[Group]:
        instance = self.control.controller.instance
        found = []
        for chart in self.application.charts:
            names = [f"{chart.program}.{step.name}" for step in chart.steps]
            flags = instance.reader([f"{name}.X" for name in names])
            times = instance.reader([f"{name}.T" for name in names])
            found.append(Group(tuple(f"step:{name}" for name in names), flags))
            found.append(Group(tuple(f"elapsed:{name}" for name in names), _elapsed(flags, times)))
            found += self._step_points(chart.program, flags)
        return found

    def _step_points(self, program: str, flags: Callable[[], Sequence[Any]]) -> Sequence[Group]:
        """The points that show the number of a chart's first active step."""
        points = [p for p in self.machine.points.values() if p.role is Role.STEP]
        shown = [p for p in points if p.chart.casefold() == program.casefold()]
        count = len(shown)

        def read() -> list[int]:
            found = flags()
            return [found.index(True) if True in found else 0] * count

        return [Group(tuple(f"point:{p.name}" for p in shown), read)]

    def _alarms(self) -> Group:
        alarms = self.control.controller.watch.board.alarms
        states = list(alarms.values())
        return Group(
            tuple(f"alarm:{name}" for name in alarms), lambda: [one.state.value for one in states]
        )

    def _figures(self) -> Group:
        names = "scan_us jitter_us overruns scans clients link state machine_s speed paused"
        return Group(tuple(f"stat:{name}" for name in names.split()), self._read_figures)

    def _read_figures(self) -> Sequence[Any]:
        controller = self.control.controller
        figures = controller.statistics
        return (
            figures.duration_ns / 1_000,
            figures.jitter_ns / 1_000,
            figures.overruns,
            figures.scans,
            self.control.server.connections,
            controller.link_healthy,
            controller.state.name.lower(),
            self.now_s(),
            self.control.clock.speed if self.time is None else self.time.speed,
            self.time is not None and self.time.is_paused,
        )

    def _reader(self, name: str) -> Callable[[], Sequence[Any]]:
        """What reads one channel; raises SoftctlError for one that there is not."""
        kind, _, path = name.partition(":")
        if kind == "var":
            return self.control.controller.instance.reader([path])
        if kind == "plant" and self.plant is not None:
            return self.plant.reader([path])
        offers = "var: or plant:" if self.plant is not None else "var:"
        raise SoftctlError(f"expected a channel of {offers}, got {name}")

    # States

    def quick_mark(self) -> object:
        """Alarms by their revision, forces as they are held."""
        controller = self.control.controller
        return controller.watch.board.revision, tuple(controller.forces.held)

    async def quick_states(self) -> Mapping[str, Mapping[str, Any]]:
        """Alarms with their rates, and forces."""
        return await quick_states(self.ask, self.now_s())

    def states(self) -> Mapping[str, Mapping[str, Any]]:
        """Faults of equipment and of the wire, and the clients."""
        servers = self.servers()
        states: dict[str, Mapping[str, Any]] = {
            "wire_faults": {"rows": wire_fault_rows(servers, time.monotonic_ns())},
            "clients": {"rows": client_rows(servers, self._rates.take(servers))},
        }
        if self.plant is not None:
            states["faults"] = {"rows": fault_rows(self.plant)}
        return states

    def equipment_faults(self) -> Mapping[str, Sequence[Row]]:
        """What can be broken, by equipment."""
        plant = self.plant
        if plant is None:
            return {}
        return {
            name: [_fault_row(plant, name, fault) for fault in plant.faults(name)]
            for name in self.machine.equipment
        }

    def servers(self) -> dict[str, ModbusServer]:
        """The Modbus servers of this process."""
        own = {"hmi": self.control.server}
        return own if self.field is None else {**own, "field": self.field.server}

    def wire(self) -> dict[str, Faults]:
        """Their wire faults."""
        own = {"hmi": self.control.faults}
        return own if self.field is None else {**own, "field": self.field.faults}

    # For the model

    def drawings(self) -> tuple[Any, list[Any]]:
        """The picture and the charts."""
        return self._picture, draw_charts(self.application, self._terms)

    def sources(self) -> Sequence[Source]:
        """The programs' own files, not the libraries that they use."""
        return program_sources(self.application)

    def trials(self) -> Sequence[Row]:
        """Those of the folder, as they are on the disk."""
        return self._trials

    def drills(self) -> Sequence[Row]:
        """All that there are."""
        return drill_rows()

    def tap(self, server: str, client: str) -> FrameTap:
        """Listen to a client of one of this process's servers; raises SoftctlError."""
        found = self.servers().get(server)
        if found is None:
            raise SoftctlError(f"expected a server of this process, got {server}")
        for one in found.clients:
            if one.name == client:
                return FrameTap(found, self.machine, Side(server), one)
        raise SoftctlError(f"expected a client that is connected to {server}, got {client}")

    def wire_effects(self) -> Sequence[Row]:
        """The effects of a file of wire faults."""
        return list(wire_effects())


class _Rates:
    """Requests per second of each client, from one look to the next."""

    def __init__(self) -> None:
        self._before: dict[Any, tuple[int, int]] = {}
        self._rates: dict[Any, float] = {}

    def take(self, servers: Mapping[str, Any]) -> Mapping[Any, float]:
        """Look at the counters of all clients."""
        now_ns = time.monotonic_ns()
        clients = [client for server in servers.values() for client in server.clients]
        before, self._before = self._before, {c: (now_ns, c.requests) for c in clients}
        self._rates = {
            client: (client.requests - before[client][1]) / ((now_ns - before[client][0]) / 1e9)
            for client in clients
            if client in before and now_ns > before[client][0]
        }
        return self._rates


def _elapsed(flags: Callable[[], Sequence[Any]], times: Callable[[], Sequence[Any]]) -> Any:
    def read() -> list[float | None]:
        pairs = zip(flags(), times(), strict=True)
        return [time_ns / _SECOND_NS if active else None for active, time_ns in pairs]

    return read


def _waiting(terms: Terms) -> Group:
    names = terms.channels

    def read() -> list[bool | None]:
        found = terms.look()
        return [found.get(name) for name in names]

    return Group(names, read)


def _parts(plant: Plant, carriers: Sequence[str]) -> Callable[[], list[Any]]:
    """The parts on each carrier as [number, place, length, is defective]; metres."""

    def read() -> list[Any]:
        rows = {row.name: row.parts for row in plant.carriers()}
        # A source makes parts and has none, so it is no row.
        return [
            [
                [part.number, part.place_m, part.length_m, part.is_defective]
                for part in rows.get(name, ())
            ]
            for name in carriers
        ]

    return read


def _fault_row(plant: Plant, equipment: str, fault: str) -> Row:
    port = plant.fault_port(equipment, fault)
    is_switch = port.fault_value is not None
    return {
        "name": fault,
        "kind": "switch" if is_switch else "size",
        "unit": "" if port.unit in (None, "1") else port.unit,
        "least": None if is_switch else port.low,
        "most": None if is_switch else port.high,
        "default": None if is_switch else port.fault_size,
        "text": f"{equipment}: {fault}",
    }
