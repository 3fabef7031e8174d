"""Puts a page together for a bench and starts it."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from softctl.errors import SoftctlError
from softctl.runtime.events import EventSink, ignore
from softctl.runtime.hosts import is_loopback
from softctl.web.access import Role
from softctl.web.actions import Actions
from softctl.web.app import PageApp
from softctl.web.bench import Bench
from softctl.web.desks import Desks, local_desks, remote_desks
from softctl.web.doors import Doors
from softctl.web.hub import Hub
from softctl.web.local import LocalBench
from softctl.web.people import People
from softctl.web.port import PagePort, TlsFiles
from softctl.web.remote import RemoteBench


@dataclass(frozen=True, slots=True)
class PageSettings:
    """Where a page is served, to whom, and what somebody may do there who does not sign in.

    `names` are host names by which the page may be called besides `host`.
    """

    host: str = "127.0.0.1"
    port: int = 0
    role: Role = Role.ENGINEER
    people: People | None = None
    tls: TlsFiles | None = None
    names: tuple[str, ...] = ()


class Page:
    """The page of one bench, not yet started; raises SoftctlError for settings that are unsafe.

    `desks` gives what can be done there.
    """

    def __init__(
        self,
        bench: Bench,
        desks: Callable[[Hub], Desks],
        settings: PageSettings,
        sink: EventSink = ignore,
    ) -> None:
        require_safe(settings)
        self._settings = settings
        self.hub = Hub(bench, sink)
        self.doors = Doors(
            settings.role,
            settings.people,
            f"softctl-page-{settings.port}",
            settings.tls is not None,
            time.monotonic,
            note=lambda person, what: bench.note("run", "", what, person.source),
        )
        self.hub.is_in = self.doors.is_in
        found = desks(self.hub)
        self.hub.each_second += found.each_second
        self._closers = found.closers
        app = PageApp(self.hub, Actions(found.acts), self.doors)
        guarded = app.build((settings.host, *settings.names))
        self._port = PagePort(guarded, self.hub, sink, settings.tls)

    async def start(self) -> str:
        """Serve it, and return its address; raises SoftctlError."""
        host, port = await self._port.start(self._settings.host, self._settings.port)
        shown = f"[{host}]" if ":" in host else host
        scheme = "http" if self._settings.tls is None else "https"
        return f"{scheme}://{shown}:{port}/"

    async def close(self) -> None:
        """Stop serving."""
        for close in self._closers:
            await close()
        await self._port.close()


def local_page(bench: LocalBench, settings: PageSettings, sink: EventSink = ignore) -> Page:
    """The page of a controller of this process; raises SoftctlError."""
    page = Page(bench, lambda hub: local_desks(bench, hub), settings, sink)
    bench.on_entry = page.hub.hear
    return page


def remote_page(bench: RemoteBench, settings: PageSettings, sink: EventSink = ignore) -> Page:
    """The page of a controller that runs elsewhere; raises SoftctlError."""
    return Page(bench, lambda hub: remote_desks(bench, hub), settings, sink)


def require_safe(settings: PageSettings) -> None:
    """Raise SoftctlError for a page that strangers could use, or read on the way."""
    if is_loopback(settings.host):
        return
    missing = []
    if settings.people is None:
        missing.append("a file of people who may sign in (--page-people)")
    if settings.tls is None:
        missing.append("a certificate and its key (--page-certificate, --page-key)")
    if missing:
        raise SoftctlError(
            f"expected a loopback address for the page, got {settings.host}: whoever reaches the "
            f"page may command the machine. Elsewhere it needs {' and '.join(missing)}."
        )
