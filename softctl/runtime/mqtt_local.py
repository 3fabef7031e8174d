"""The bridge inside a controller's process."""

from __future__ import annotations

import time
from collections.abc import Sequence

from softctl.control import Controller
from softctl.logic import Application
from softctl.machine import Mqtt
from softctl.mqtt import Event, Request, Snapshot
from softctl.mqtt.catalogue import Catalogue, catalogue
from softctl.runtime.control_service import ControlService
from softctl.runtime.event_feed import EventFeed
from softctl.runtime.events import EventSink, ignore
from softctl.runtime.mqtt_bridge import MqttBridge, step_texts
from softctl.runtime.mqtt_settings import Access


def local_bridge(
    control: ControlService,
    feed: EventFeed,
    mqtt: Mqtt,
    access: Access,
    sink: EventSink = ignore,
) -> MqttBridge:
    """A bridge for a controller of this process, not yet started."""
    controller = control.controller
    found = catalogue(
        controller.machine, mqtt, step_texts(controller.machine, controller.application)
    )
    by = f"mqtt {access.where}"
    if mqtt.writes is not None and mqtt.writes.role:
        by = f"{by} ({mqtt.writes.role})"

    async def write(request: Request) -> None:
        """All in one go, so that one scan sees all of it."""
        for point, value in request.values:
            control.write(point.name, value, by)

    source = _LocalSource(controller, feed, found)
    bridge = MqttBridge(found, mqtt, access, source, feed.run, write, sink)
    feed.listeners.append(bridge.poke)
    return bridge


class _LocalSource:
    """What the controller shows on its HMI map, and its journal's entries."""

    def __init__(self, controller: Controller, feed: EventFeed, found: Catalogue) -> None:
        self._controller = controller
        self._feed = feed
        self._names = [point.name for point in found.all]
        self._texts = found.texts
        self._application: Application | None = None
        self._number = 0

    async def snapshot(self) -> Snapshot:
        self._follow_program()
        values = self._controller.values()
        row = [values[name] for name in self._names]
        at_ms = time.time_ns() // 1_000_000
        return Snapshot(at_ms, row, is_linked=self._controller.link_healthy)

    def _follow_program(self) -> None:
        """A program that was changed online may have other steps."""
        application = self._controller.application
        if application is not self._application:
            self._application = application
            self._texts.update(step_texts(self._controller.machine, application))

    async def events(self) -> Sequence[Event]:
        events = self._feed.after(self._number)
        if events:
            self._number = events[-1].number
        return events
