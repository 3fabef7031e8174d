"""Puts a page together for a bench and starts it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from starlette.requests import HTTPConnection

from softctl.errors import SoftctlError
from softctl.runtime.events import EventSink, ignore
from softctl.runtime.hosts import is_loopback
from softctl.web.access import Person, Role
from softctl.web.actions import Act, Actions, control_acts
from softctl.web.app import PageApp
from softctl.web.hub import Hub
from softctl.web.local import LocalBench
from softctl.web.plant_acts import WireDesk, plant_acts
from softctl.web.port import PagePort
from softctl.web.time_acts import time_acts


@dataclass(frozen=True, slots=True)
class PageSettings:
    """Where a page is served, and what somebody may do there who does not sign in."""

    host: str = "127.0.0.1"
    port: int = 0
    role: Role = Role.ENGINEER


class Page:
    """The page of one bench, not yet started; raises SoftctlError for settings that are unsafe."""

    def __init__(self, bench: LocalBench, settings: PageSettings, sink: EventSink = ignore) -> None:
        if not is_loopback(settings.host):
            raise SoftctlError(f"expected a loopback address for the page, got {settings.host}")
        self._settings = settings
        self._bench = bench
        self.hub = Hub(bench, sink)
        bench.on_entry = self.hub.hear
        app = PageApp(self.hub, Actions(_acts(bench)), self._admit)
        self._port = PagePort(app.build((settings.host,)), self.hub, sink)

    async def start(self) -> str:
        """Serve it, and return its address; raises SoftctlError."""
        host, port = await self._port.start(self._settings.host, self._settings.port)
        shown = f"[{host}]" if ":" in host else host
        return f"http://{shown}:{port}/"

    async def close(self) -> None:
        """Stop serving."""
        await self._bench.close()
        await self._port.close()

    def _admit(self, connection: HTTPConnection) -> Person | None:
        host = connection.client.host if connection.client else ""
        return Person(self._settings.role, host)


def _acts(bench: LocalBench) -> Mapping[str, Act]:
    acts: dict[str, Any] = control_acts(bench)
    if bench.plant is not None:
        acts |= plant_acts(bench, bench.plant)
    if bench.time is not None:
        acts |= time_acts(bench.time)
    desk = WireDesk(bench, bench.wire())
    bench.tidy = desk.tidy
    return {**acts, **desk.acts()}
