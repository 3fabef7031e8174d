"""Reads the bench ten times a second for all viewers, and tells them what is new."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from typing import Any

from softctl.errors import SoftctlError
from softctl.journal import Entry
from softctl.web.bench import Bench
from softctl.web.channels import Channels
from softctl.web.model import Model
from softctl.web.rows import event_row
from softctl.web.values import Changes, delta_message, full_message, to_json
from softctl.web.viewer import Viewer

PERIOD_S = 0.1
STATES_EVERY = 10
"""Looks from one sending of slow states to the next."""

_EVENT_KINDS = {"setpoint": "write", "command": "write", "guard": "alarm", "run": "program"}
"""The kinds of entries that have another name as events."""


class Hub:
    """All viewers of one bench; nothing is read while there are none."""

    def __init__(self, bench: Bench, most_viewers: int = 50) -> None:
        self.bench = bench
        self.most_viewers = most_viewers
        self.viewers: set[Viewer] = set()
        self.extra_states: dict[str, Mapping[str, Any]] = {}
        """States that others keep up to date, by kind: trials, drills, checkout."""
        self._application = bench.application
        self.channels: Channels = bench.channels()
        self.model = Model(bench, self.channels.names)
        self._changes = Changes()
        self._states: dict[str, str] = {}
        self._looks = 0
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
        for what, text in self._states.items():
            viewer.show(what, text)
        self._looks = 0

    def detach(self, viewer: Viewer) -> None:
        """Forget a viewer that has gone."""
        self.viewers.discard(viewer)
        if not self.viewers:
            self.channels.forget_subscriptions()
            self._changes.forget()
            self._states.clear()

    def subscribe(self, viewer: Viewer, names: Sequence[str]) -> int:
        """Add channels for a viewer, who gets all values anew; the place of the first."""
        first = self.channels.subscribe(names)
        changed = self._changes.take(self.channels.read())
        for other in self.viewers - {viewer} if changed else ():
            other.offer(delta_message(self.bench.now_s(), changed))
        viewer.begin_anew()
        return first

    def full(self) -> str:
        """The message with all values."""
        return full_message(self.bench.now_s(), self._changes.shown)

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
            if self.viewers:
                await self.look()

    async def look(self) -> None:
        """Read everything once and send what changed, to one viewer after the other.

        Between two of them the loop goes round, so that a scan that is due waits for one
        sending at most.
        """
        if self.bench.application is not self._application:
            self._begin_anew()
        changed = self._changes.take(self.channels.read())
        if changed:
            text = delta_message(self.bench.now_s(), changed)
            for viewer in tuple(self.viewers):
                viewer.offer(text)
                await asyncio.sleep(0)
        await self._send_states()

    def _begin_anew(self) -> None:
        """Other programs run: other channels, another model."""
        self._application = self.bench.application
        self.channels = self.bench.channels()
        self.model = Model(self.bench, self.channels.names)
        self._changes.forget()
        for viewer in self.viewers:
            viewer.tell(self._hello(viewer))
            viewer.begin_anew()

    async def _send_states(self) -> None:
        """Alarms and forces when they change, everything else once a second."""
        states: dict[str, Mapping[str, Any]] = dict(self.extra_states)
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

    def _show(self, what: str, body: Mapping[str, Any]) -> None:
        text = to_json({"t": "state", "what": what, **body})
        if text != self._states.get(what):
            self._states[what] = text
            for viewer in self.viewers:
                viewer.show(what, text)

    # Events

    def hear(self, entry: Entry) -> None:
        """Tell everybody of an entry of the journal."""
        kind = _EVENT_KINDS.get(entry.kind, entry.kind)
        if not self.viewers or entry.kind == "journal":
            return
        text = to_json(event_row(kind, self._at_s(entry), entry_text(entry), entry.source))
        for viewer in self.viewers:
            viewer.tell(text)

    def _at_s(self, entry: Entry) -> float:
        at_ns = entry.machine_ns if self.bench.history_clock == "machine" else entry.wall_ns
        return at_ns / 1e9


def entry_text(entry: Entry) -> str:
    """An entry in a line: what happened to what, with the value where there is one."""
    parts = [entry.name, entry.what]
    if "value" in entry.details:
        parts.append(f"= {entry.details['value']} {entry.details.get('unit', '')}".rstrip())
    if entry.details.get("reason"):
        parts.append(f"({entry.details['reason']})")
    return " ".join(part for part in parts if part)
