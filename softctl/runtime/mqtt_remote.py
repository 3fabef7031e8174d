"""The bridge in a process of its own, beside a running controller.

Values come from the controller's HMI map over Modbus/TCP, and writes go there. Events come
from the socket in its state directory, where that can be opened: not from another computer,
nor by another user.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence
from pathlib import Path

from softctl.errors import SoftctlError
from softctl.mqtt import Event, Request, Snapshot
from softctl.mqtt.catalogue import Catalogue
from softctl.runtime.events import EventSink, ignore
from softctl.runtime.field_client import LinkError
from softctl.runtime.hmi_client import HmiClient
from softctl.runtime.mqtt_connection import Write
from softctl.runtime.service_port import ask

_ASK_S = 2.0


class RemoteSource:
    """A controller's HMI map and its socket, as long as they can be reached."""

    def __init__(
        self, hmi: HmiClient, found: Catalogue, socket: Path, sink: EventSink = ignore
    ) -> None:
        self._hmi = hmi
        self._sink = sink
        self._socket = socket
        self._read = hmi.reader(list(found.all))
        self._link = hmi.reader([found.machine.points["FIELD_LINK"]])
        self._was_present: bool | None = None
        self._run = ""
        self._number = 0
        self._said = ""

    async def snapshot(self) -> Snapshot:
        """The values now, or the last ones where the controller cannot be reached."""
        try:
            await self._hmi.poll()
            is_present, reason = True, ""
        except LinkError as error:
            is_present, reason = False, str(error)
        self._tell(is_present, reason)
        at_ms = time.time_ns() // 1_000_000
        return Snapshot(at_ms, self._read(), is_present, bool(self._link()[0]))

    async def events(self) -> Sequence[Event]:
        """What the controller has noted since the last time; all of it after its restart."""
        request = {"do": "events", "run": self._run, "after": self._number}
        try:
            answer = await asyncio.to_thread(ask, self._socket, request, _ASK_S)
        except SoftctlError as error:
            if str(error) != self._said:
                self._said = str(error)
                self._sink("no events", reason=self._said)
            return []
        self._said = ""
        self._run = answer["run"]
        events = [Event(**row) for row in answer["events"]]
        self._number = answer["number"]
        return events

    def _tell(self, is_present: bool, reason: str) -> None:
        if is_present is self._was_present:
            return
        self._was_present = is_present
        if is_present:
            self._sink("controller reached")
        else:
            self._sink("controller not reached", reason=reason)


def remote_write(hmi: HmiClient) -> Write:
    """Writes to the HMI map, as any HMI does: one value after the other."""

    async def write(request: Request) -> None:
        for point, value in request.values:
            await hmi.put(point.name, value)

    return write
