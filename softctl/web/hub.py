"""Reads the bench ten times a second for all viewers, and tells them what is new."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Any

from softctl.errors import SoftctlError
from softctl.journal import Entry
from softctl.runtime.events import EventSink, ignore
from softctl.web.access import Person
from softctl.web.bench import Bench
from softctl.web.channels import Channels
from softctl.web.model import Model
from softctl.web.rows import entry_event
from softctl.web.values import Changes, delta_message, full_message, to_json
from softctl.web.viewer import Viewer

PERIOD_S = 0.1
MOST_VIEWERS = 50
STATES_EVERY = 10
"""Looks from one sending of slow states to the next."""


class Hub:
    """All viewers of one bench; nothing is read while there are none."""

    def __init__(
        self, bench: Bench, sink: EventSink = ignore, most_viewers: int = MOST_VIEWERS
    ) -> None:
        self.bench = bench
        self._sink = sink
        self._said = ""
        self._is_wall = bench.history_clock == "wall"
        self.most_viewers = most_viewers
        self.viewers: set[Viewer] = set()
        self._lasting: dict[str, str] = {}
        """States that others keep up to date: trials, drills, checkout."""
        self.each_second: list[Callable[[], Awaitable[None]]] = []
        """Called once a second, whether anybody looks or not."""
        self.is_in: Callable[[Person], bool] = lambda person: True
        """Whether somebody who looks still may."""
        self._running = bench.running
        self.channels: Channels = bench.channels()
        self.model = Model(bench, self.channels.names)
        self._changes = Changes()
        self._states: dict[str, str] = {}
        self._looks = 0
        self._turns = 0
        self._alarms_seen: object = None

    # Viewers

    def attach(self, viewer: Viewer) -> None:
        """Greet a viewer and send everything; raises SoftctlError when there are too many."""
        if len(self.viewers) >= self.most_viewers:
            raise SoftctlError(f"expected at most {self.most_viewers} viewers, got one more")
        if not self.viewers:
            self._changes.take(self.channels.read())
        self.viewers.add(viewer)
        viewer.tell(self._hello(viewer))
        for what, text in (self._states | self._lasting).items():
            viewer.show(what, text)
        self._looks = 0

    def detach(self, viewer: Viewer) -> None:
        """Forget a viewer that has gone."""
        self.viewers.discard(viewer)
        viewer.watch(None)
        if not self.viewers:
            self.channels.forget_subscriptions()
            self._changes.forget()
            self._states.clear()

    def subscribe(self, viewer: Viewer, names: Sequence[str]) -> dict[str, Any]:
        """Add channels for a viewer, who gets all values anew: their places, and the unknown."""
        known, unknown = self.channels.known(names)
        first = self.channels.subscribe(known)
        changed = self._changes.take(self.channels.read())
        for other in self.viewers - {viewer} if changed else ():
            other.offer(delta_message(self.bench.now_s(), changed, is_wall=self._is_wall))
        viewer.begin_anew()
        return {"first": first, "names": known, "unknown": unknown}

    def full(self) -> str:
        """The message with all values."""
        return full_message(self.bench.now_s(), self._changes.shown, is_wall=self._is_wall)

    def _hello(self, viewer: Viewer) -> str:
        role = viewer.person.role.word
        return to_json({"t": "hello", "role": role, "model_id": self.model.id})

    # Time

    async def run(self) -> None:
        """Look again and again; never returns."""
        loop = asyncio.get_running_loop()
        due_s = loop.time()
        while True:
            due_s = max(due_s + PERIOD_S, loop.time())
            await asyncio.sleep(due_s - loop.time())
            self._turns += 1
            if self._turns % STATES_EVERY == 0:
                await self._tidy()
            for viewer in tuple(self.viewers):
                if not self.is_in(viewer.person):
                    viewer.dismiss()
            if self.viewers:
                await self._safely(self.look())

    async def _tidy(self) -> None:
        for call in self.each_second:
            await self._safely(call())

    async def _safely(self, work: Awaitable[None]) -> None:
        """A page that fails is told of; the machine it looks at goes on."""
        try:
            await work
        except Exception as error:
            self.report(error)

    def report(self, error: Exception) -> None:
        """Tell of a fault of the page's own, the same one once."""
        if repr(error) != self._said:
            self._said = repr(error)
            self._sink("fault of the bench page", reason=self._said)

    async def look(self) -> None:
        """Read everything once and send what changed, to one viewer after the other.

        Between two of them the loop goes round, so that a scan that is due waits for one
        sending at most.
        """
        if self.bench.running is not self._running:
            await self._begin_anew()
        changed = self._changes.take(self.channels.read())
        if changed:
            text = delta_message(self.bench.now_s(), changed, is_wall=self._is_wall)
            for viewer in tuple(self.viewers):
                viewer.offer(text)
                await asyncio.sleep(0)
        await self._send_states()

    async def _begin_anew(self) -> None:
        """Programs run anew, or others do: new channels, made aside while scans go on."""
        self._running = self.bench.running
        channels = await asyncio.to_thread(self.bench.channels)
        self.model = await asyncio.to_thread(Model, self.bench, channels.names)
        self.channels = channels
        self._changes.forget()
        self._changes.take(self.channels.read())
        for viewer in self.viewers:
            viewer.tell(self._hello(viewer))
            viewer.begin_anew()

    async def _send_states(self) -> None:
        """Alarms and forces when they change, everything else once a second."""
        states: dict[str, Mapping[str, Any]] = {}
        seen = self.bench.quick_mark()
        is_time = self._looks % STATES_EVERY == 0
        self._looks += 1
        if seen != self._alarms_seen or is_time:
            self._alarms_seen = seen
            states |= await self.bench.quick_states()
        if is_time:
            states |= self.bench.states()
        for what, body in states.items():
            self._show(what, body)
        if "clients" in states:
            self._show_frames(states["clients"])

    def show(self, what: str, body: Mapping[str, Any]) -> None:
        """Send a state to everybody, also to those who come later."""
        text = self._lasting[what] = to_json({"t": "state", "what": what, **body})
        for viewer in self.viewers:
            viewer.show(what, text)

    def _show_frames(self, clients: Mapping[str, Any]) -> None:
        """The clients again, with the frames of the one that a viewer watches."""
        for viewer in self.viewers:
            tap = viewer.tap
            if tap is not None:
                frames = tap.rows(self.bench.now_s())
                rows = [
                    {**row, "frames": frames} if row["id"] == tap.client.name else row
                    for row in clients["rows"]
                ]
                message = {"t": "state", "what": "clients", **clients, "rows": rows}
                viewer.show("clients", to_json(message))

    def watch(self, viewer: Viewer, server: str | None, client: str | None) -> None:
        """Let a viewer see a client's frames, or nobody's any more; raises SoftctlError."""
        viewer.watch(None)
        if server is not None and client is not None:
            viewer.watch(self.bench.tap(server, client))

    def _show(self, what: str, body: Mapping[str, Any]) -> None:
        text = to_json({"t": "state", "what": what, **body})
        if text != self._states.get(what):
            self._states[what] = text
            for viewer in self.viewers:
                viewer.show(what, text)

    # Events

    def hear(self, entry: Entry) -> None:
        """Tell everybody of an entry of the journal."""
        if self.viewers and entry.kind != "journal":
            self.tell_all({"t": "event", **entry_event(entry, self._at_s(entry))})

    def tell_all(self, message: Mapping[str, Any]) -> None:
        """Send a message to every viewer, after those before it."""
        text = to_json(message)
        for viewer in self.viewers:
            viewer.tell(text)

    def _at_s(self, entry: Entry) -> float:
        at_ns = entry.machine_ns if self.bench.history_clock == "machine" else entry.wall_ns
        return at_ns / 1e9
