"""A machine that runs elsewhere: looked at over its HMI map, and asked through its socket.

1. Points come over Modbus/TCP, as any HMI gets them.
2. The service socket in the controller's state directory gives alarms, forces, programs and
   variables, where it is there; only the user who runs the controller can open it.
3. The journal in that directory gives the past.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from softctl.control.alarm_desk import STATE_CODES
from softctl.errors import SoftctlError
from softctl.journal import Entry
from softctl.journal.reader import JournalReader, Wanted
from softctl.logic import Application, Source
from softctl.machine import Machine, Point
from softctl.machine.alarm_points import STATE_SUFFIX
from softctl.picture import Terms
from softctl.runtime.events import EventSink
from softctl.runtime.field_client import LinkError
from softctl.runtime.folder import MachineFolder
from softctl.runtime.hmi_client import HmiClient
from softctl.runtime.service_port import ask
from softctl.runtime.state import JOURNAL_FILE, SERVICE_SOCKET
from softctl.web.bench import Answer, Row
from softctl.web.channels import Channels, Group, Read
from softctl.web.drawings import draw_charts, draw_process
from softctl.web.frame_tap import FrameTap
from softctl.web.history import Axis, History
from softctl.web.hub import PERIOD_S
from softctl.web.programs import program_sources
from softctl.web.rows import quick_states
from softctl.web.trial_desk import trial_rows

_RETRY_S = 0.5
_STATES_EVERY_S = 0.5
_STATES = ("stopped", "running", "faulted")
_BY_CODE = {code: state.value for state, code in STATE_CODES.items()}
_FAR = "The machine runs in another process."


class RemoteBench:
    """A controller at `host` and `port`, whose state directory is `state`."""

    history_clock = "wall"

    def __init__(
        self, folder: MachineFolder, host: str, port: int, state: Path, sink: EventSink
    ) -> None:
        self.folder = folder
        self.machine: Machine = folder.machine
        self.application: Application = folder.application
        self._where = f"{host}:{port}"
        self._hmi = HmiClient(self.machine, host, port)
        self._socket = state / SERVICE_SOCKET
        self._journal = state / JOURNAL_FILE
        self._sink = sink
        self._is_up = False
        self._has_socket = self._socket.exists()
        self._values: dict[str, Any] = {}
        """Variables of the programs, by path, as the socket gave them last."""
        self._quick: Mapping[str, Mapping[str, Any]] = {}
        self._quick_number = 0
        self._heard_ns = time.time_ns()
        self._picture = draw_process(folder, has_plant=False)
        self._trials = trial_rows(folder)
        self._steps = [
            f"{chart.program}.{step.name}"
            for chart in self.application.charts
            for step in chart.steps
        ]
        self._paths = [f"{step}.{part}" for step in self._steps for part in "XT"]

    @property
    def running(self) -> object:
        """Always the same: paths are read, whatever runs."""
        return self.application

    @property
    def why_not(self) -> Mapping[str, str]:
        """What cannot be had from here, and why."""
        asked = "" if self._has_socket else f"There is no service socket at {self._socket}."
        kept = "" if self._journal.is_file() else f"There is no journal at {self._journal}."
        far = ("plant", "faults", "time", "wire", "clients", "drills", "checkout")
        return {
            **dict.fromkeys(far, _FAR),
            **dict.fromkeys(("alarms", "forces", "programs"), asked),
            "journal": kept,
            "trials": "",
        }

    def now_s(self) -> float:
        """Unix time: the controller's machine time is not known here."""
        return time.time()

    # What goes on

    async def run(self) -> None:
        """Keep the mirror of the map and of the socket up to date; never returns."""
        await asyncio.gather(self._poll_map(), self._poll_socket())

    async def close(self) -> None:
        """Drop the connection."""
        await self._hmi.close()

    async def _poll_map(self) -> None:
        said = ""
        while True:
            try:
                await self._hmi.connect()
                while True:
                    await self._hmi.poll()
                    if not self._is_up:
                        self._is_up, said = True, ""
                        self._sink("HMI map is read", controller=self._where)
                    await asyncio.sleep(PERIOD_S)
            except LinkError as error:
                self._is_up = False
                if str(error) != said:
                    said = str(error)
                    self._sink("HMI map cannot be read", controller=self._where, reason=said)
                await self._hmi.close()
                await asyncio.sleep(_RETRY_S)

    async def _poll_socket(self) -> None:
        looked_s = 0.0
        while True:
            try:
                paths = tuple(self._paths)
                answer = await self.ask({"do": "read", "paths": paths})
                self._values = dict(zip(paths, answer["values"], strict=True))
                if time.monotonic() - looked_s >= _STATES_EVERY_S:
                    looked_s = time.monotonic()
                    states = await quick_states(self.ask, 0.0)
                    if states != self._quick:
                        self._quick, self._quick_number = states, self._quick_number + 1
                self._has_socket = True
            except SoftctlError:
                self._values, self._has_socket = {}, False
                await asyncio.sleep(_RETRY_S)
            await asyncio.sleep(PERIOD_S)

    async def news(self) -> list[Entry]:
        """The entries of the journal since the last call."""
        return await asyncio.to_thread(self._read_news)

    def _read_news(self) -> list[Entry]:
        if not self._journal.is_file():
            return []
        reader = JournalReader(self._journal)
        try:
            found = list(reader.entries(Wanted(since_ns=self._heard_ns + 1)))
        finally:
            reader.close()
        self._heard_ns = max((one.wall_ns for one in found), default=self._heard_ns)
        return found

    # What is asked for

    async def ask(self, request: Mapping[str, Any]) -> Answer:
        """Through the socket; without one, what an HMI may write goes over Modbus."""
        if request["do"] == "write" and not self._has_socket:
            return await self._write(request)
        return await asyncio.to_thread(ask, self._socket, request)

    async def _write(self, request: Mapping[str, Any]) -> Answer:
        if not self._is_up:
            raise SoftctlError(f"expected a controller at {self._where}, got no connection")
        await self._hmi.put(str(request["name"]), request["value"])
        return {"value": request["value"]}

    def note(self, kind: str, name: str, what: str, by: str, /, **details: object) -> None:
        """The journal is the controller's: it notes what comes to it, with its source."""
        self._sink(what, kind=kind, name=name, by=by, **details)

    # Channels

    def channels(self) -> Channels:
        """Points of the map, steps, alarms and figures; variables where they are asked for."""
        points = [p for p in self.machine.points.values() if p.hmi is not None]
        names = tuple(f"point:{p.name}" for p in points)
        standing = (
            Group(names, self._while_up(self._hmi.reader(points), len(points))),
            Group(tuple(f"step:{one}" for one in self._steps), self._read_flags),
            Group(tuple(f"elapsed:{one}" for one in self._steps), self._read_times),
            self._alarms(),
            self._figures(),
        )
        return Channels(standing, self._find)

    def _while_up(self, read: Read, count: int) -> Read:
        nothing = [None] * count
        return lambda: read() if self._is_up else nothing

    def _read_flags(self) -> Sequence[Any]:
        return [self._values.get(f"{step}.X") for step in self._steps]

    def _read_times(self) -> Sequence[Any]:
        times = ((self._values.get(f"{s}.X"), self._values.get(f"{s}.T")) for s in self._steps)
        return [
            time_ns / 1e9 if active and time_ns is not None else None for active, time_ns in times
        ]

    def _alarms(self) -> Group:
        points = [self.machine.points[f"{name}{STATE_SUFFIX}"] for name in self.machine.alarms]
        codes = self._while_up(self._hmi.reader(points), len(points))
        names = tuple(f"alarm:{name}" for name in self.machine.alarms)
        return Group(names, lambda: [_BY_CODE.get(code) for code in codes()])

    def _figures(self) -> Group:
        shown = {
            "scan_us": "SCAN_TIME_US",
            "jitter_us": "SCAN_JITTER_US",
            "overruns": "OVERRUNS",
            "scans": "SCAN_COUNT",
            "clients": "CLIENTS",
            "link": "FIELD_LINK",
        }
        points: list[Point] = [self.machine.points[name] for name in shown.values()]
        read = self._while_up(self._hmi.reader(points), len(points))
        number = self._while_up(self._hmi.reader([self.machine.points["CONTROL_STATE"]]), 1)

        def figures() -> list[Any]:
            code = number()[0]
            return [*read(), None if code is None else _STATES[int(code)], None, None, None]

        rest = ("state", "machine_s", "speed", "paused")
        return Group(tuple(f"stat:{name}" for name in (*shown, *rest)), figures)

    def _find(self, name: str) -> Read:
        """What reads a variable; raises SoftctlError for one that there is not."""
        kind, _, path = name.partition(":")
        if kind != "var":
            raise SoftctlError(f"expected a channel of var:, got {name}")
        self.application.instantiate().type_of(path)
        if path not in self._paths:
            self._paths.append(path)
        return lambda: (self._values.get(path),)

    # States and the model

    def quick_mark(self) -> object:
        """Differs when the socket told something else."""
        return self._quick_number

    async def quick_states(self) -> Mapping[str, Mapping[str, Any]]:
        """Alarms and forces, as the socket told them last."""
        return self._quick

    def states(self) -> Mapping[str, Mapping[str, Any]]:
        """Clients and faults are seen in the machine's own process alone."""
        return {}

    def equipment_faults(self) -> Mapping[str, Sequence[Row]]:
        """None: the plant is elsewhere."""
        return {}

    def history(self) -> History:
        """From the controller's journal; raises SoftctlError where there is none."""
        return History(self._journal, Axis())

    def drawings(self) -> tuple[Any, list[Any]]:
        """The picture, and the charts of the programs as they are on the disk."""
        return self._picture, draw_charts(
            self.application, Terms(self.application, self.application.instantiate())
        )

    def sources(self) -> Sequence[Source]:
        """The programs as they are on the disk."""
        return program_sources(self.application)

    def trials(self) -> Sequence[Row]:
        """Those of the folder."""
        return self._trials

    def drills(self) -> Sequence[Row]:
        """None: they need the controller's own process."""
        return ()

    def tap(self, server: str, client: str) -> FrameTap:
        """Never: frames are seen in the server's process alone."""
        raise SoftctlError(f"expected a server of this process, got {server}: {_FAR}")

    def wire_effects(self) -> Sequence[Row]:
        """None: the servers are elsewhere."""
        return ()
