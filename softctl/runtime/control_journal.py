"""What a running controller notes in its journal."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping

from softctl.alarms import AlarmChange
from softctl.control import Controller, ForceChange, Happening
from softctl.image import Side, point_reader
from softctl.journal import Entry, Journal, Recorder
from softctl.machine import Point, Role, Value
from softctl.modbus.clients import Client
from softctl.runtime.events import EventSink
from softctl.values.tables import Table

_SAMPLE_EVERY_NS = 200_000_000


class ControlJournal:
    """Turns events, writes of clients and values into entries and samples.

    `clock` tells the machine time. Entries of one controller come from one thread only.
    """

    def __init__(self, controller: Controller, writer: Journal, clock: Callable[[], int]) -> None:
        self._controller = controller
        self._writer = writer
        self._clock = clock
        shown = [p for p in controller.hmi.shown if p.role is not Role.SYSTEM]
        self._points = [*controller.hmi.written, *shown]
        self._recorder = Recorder(self._points)
        self._sampled_at_ns = 0
        machine, bank = controller.machine, controller.hmi.bank
        self._written = [
            (point, point_reader(bank, machine, [point], Side.HMI, wired=True))
            for point in controller.hmi.written
        ]
        self._values: dict[str, Value] = {p.name: read()[0] for p, read in self._written}

    @property
    def has_trouble(self) -> bool:
        """True while the journal cannot be written, or once something was dropped."""
        return bool(self._writer.trouble or self._writer.dropped)

    def listening(self, sink: EventSink) -> EventSink:
        """A sink that notes what it passes on."""

        def note_and_pass(event: str, **fields: object) -> None:
            if not event.startswith(("alarm ", "guard ", "force: ")):
                by = str(fields.get("by", ""))
                self.note("link" if "link" in event else "run", "", event, by, fields)
            sink(event, **fields)

        return note_and_pass

    def note_run(self, what: str) -> None:
        """The controller itself started or stopped."""
        self.note("run", self._controller.machine.name, what, "", {})

    def note_happening(self, happening: Happening) -> None:
        """An alarm changed or a guard broke; the latter with all points of the last 10 s."""
        if isinstance(happening, AlarmChange):
            details = {"state": happening.state.value, "availability": happening.availability.value}
            self.note("alarm", happening.name, happening.event.value, happening.source, details)
        elif isinstance(happening, ForceChange):
            force = happening.force
            about = {"value": force.value, "reason": force.reason, "until_ns": force.until_ns}
            self.note("force", force.path, happening.what, happening.source, about)
        else:
            trail = [[at_ns, *values] for at_ns, values in happening.trail]
            kept: dict[str, object] = {
                "text": happening.text,
                "names": list(happening.names),
                "trail": trail,
            }
            self.note("guard", happening.name, "broken", "", kept)

    def note_write(self, client: Client, table: Table, address: int, data: bytes) -> None:
        """A client wrote: each command it gave and each set point it changed."""
        end = address + len(data) // (1 if table.is_bits else 2)
        for point, read in self._written:
            place = point.hmi
            if place is None or place.table is not table:
                continue
            if place.address < end and address < place.end:
                source = f"{client.name} ({client.role})" if client.role else client.name
                self._note_value(point, read()[0], source)

    def note_written(self, name: str, source: str) -> None:
        """Somebody else than a client wrote a command or set point."""
        for point, read in self._written:
            if point.name == name:
                self._note_value(point, read()[0], source)

    def _note_value(self, point: Point, value: Value, source: str) -> None:
        if value == self._values[point.name] and not (point.role is Role.COMMAND and value):
            return
        self._values[point.name] = value
        details = {"value": value, "unit": point.unit}
        what = "given" if value and point.role is Role.COMMAND else "written"
        self.note(point.role.value, point.name, what, source, details)

    def sample(self) -> None:
        """Take samples if it is time to; to be called after each scan."""
        now_ns = self._clock()
        if now_ns - self._sampled_at_ns < _SAMPLE_EVERY_NS:
            return
        self._sampled_at_ns = now_ns
        values = self._controller.values()
        row = [values[point.name] for point in self._points]
        self._writer.sample(self._recorder.take(row, time.time_ns(), now_ns))

    def close(self) -> None:
        """Write what is left."""
        self._writer.close()

    def note(
        self, kind: str, name: str, what: str, source: str, details: Mapping[str, object]
    ) -> None:
        """Make an entry of this moment."""
        entry = Entry(time.time_ns(), self._clock(), kind, name, what, source, details)
        self._writer.note(entry)
