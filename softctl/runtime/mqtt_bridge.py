"""A controller's values and events to its sessions, at their pace."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Iterator, Sequence
from dataclasses import replace
from typing import Protocol

from softctl.control.controller import step_names
from softctl.logic import Application
from softctl.machine import Machine, Mqtt, Role
from softctl.mqtt import Event, JsonSession, Session, Snapshot, SparkplugSession
from softctl.mqtt.catalogue import Catalogue
from softctl.runtime.events import EventSink, ignore
from softctl.runtime.mqtt_connection import MqttConnection, Write
from softctl.runtime.mqtt_settings import Access
from softctl.runtime.tasks import end_task


class Source(Protocol):
    """Where values and events come from."""

    async def snapshot(self) -> Snapshot:
        """The values now, in the order of the catalogue."""

    async def events(self) -> Sequence[Event]:
        """What happened since the last time."""


class MqttBridge:
    """All sessions of one machine, each with a connection of its own."""

    def __init__(
        self,
        found: Catalogue,
        mqtt: Mqtt,
        access: Access,
        source: Source,
        run: str,
        write: Write | None = None,
        sink: EventSink = ignore,
    ) -> None:
        self._mqtt = mqtt
        self._source = source
        may_write = write if mqtt.writes is not None else None
        sessions = list(_sessions(found, mqtt, run))
        self.connections = [
            MqttConnection(
                session, access if len(sessions) == 1 else _named(access, session), may_write, sink
            )
            for session in sessions
        ]
        self._task: asyncio.Task[None] | None = None
        self._news = asyncio.Event()
        self._report_due_s = 0.0

    def poke(self) -> None:
        """Something happened that need not wait for the next values."""
        self._news.set()

    def start(self) -> None:
        """Begin; neither a broker nor a controller is waited for."""
        self._task = asyncio.create_task(self._sample())
        for connection in self.connections:
            connection.start()

    async def wait(self) -> None:
        """Return only with the error of a defect."""
        assert self._task is not None
        waits = [asyncio.create_task(one.wait()) for one in self.connections]
        waits.append(asyncio.create_task(_shielded(self._task)))
        try:
            done, _ = await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in waits:
                task.cancel()
        for task in done:
            task.result()

    async def close(self) -> None:
        """Tell what is still to be told, say farewell and end."""
        if self._task is None:
            return
        await end_task(self._task)
        await self._tell_events()
        await asyncio.gather(*(connection.close() for connection in self.connections))

    async def _sample(self) -> None:
        """Values every interval, on a grid in wall time that does not drift; events at once."""
        interval_s = self._mqtt.interval_ns / 1e9
        due_s = time.monotonic()
        while True:
            await self._take_snapshot()
            due_s = max(due_s + interval_s, time.monotonic())
            await self._tell_until(due_s)

    async def _take_snapshot(self) -> None:
        snapshot = await self._source.snapshot()
        now_s = time.monotonic()
        is_report = now_s >= self._report_due_s
        if is_report:
            self._report_due_s = now_s + self._mqtt.statistics_ns / 1e9
        for session in self._sessions():
            session.observe(snapshot)
            if is_report:
                session.report(snapshot.at_ms)

    async def _tell_until(self, due_s: float) -> None:
        """Tell what happened, now and whenever somebody pokes."""
        while True:
            self._news.clear()
            await self._tell_events()
            left_s = due_s - time.monotonic()
            try:
                await asyncio.wait_for(self._news.wait(), max(0.0, left_s))
            except TimeoutError:
                return

    async def _tell_events(self) -> None:
        for event in await self._source.events():
            for session in self._sessions():
                session.happen(event)
        for connection in self.connections:
            connection.wake()

    def _sessions(self) -> Iterator[Session]:
        for connection in self.connections:
            yield connection.session


def step_texts(machine: Machine, application: Application) -> dict[str, Sequence[str]]:
    """The names of the steps by the point that shows their chart."""
    return {
        point.name: step_names(application, point.chart)
        for point in machine.points.values()
        if point.role is Role.STEP
    }


def _named(access: Access, session: Session) -> Access:
    """With a client id of the session's own: a broker throws out one of two that share one."""
    broker = access.broker
    if not broker.client_id:
        return access
    own = replace(broker, client_id=f"{broker.client_id}-{session.payload}")
    return replace(access, broker=own)


def _sessions(found: Catalogue, mqtt: Mqtt, run: str) -> Iterator[Session]:
    if mqtt.json_topic:
        yield JsonSession(found, mqtt, run)
    if mqtt.sparkplug is not None:
        yield SparkplugSession(found, mqtt, mqtt.sparkplug)


async def _shielded(task: Awaitable[None]) -> None:
    await asyncio.shield(task)
