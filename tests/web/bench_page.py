"""A machine with its bench page on loopback, and somebody who looks at it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import ssl
from collections.abc import AsyncIterator, Mapping
from pathlib import Path
from typing import Any

from websockets.asyncio.client import ClientConnection, connect

from softctl.control import Controller
from softctl.field import FieldDevice
from softctl.journal import Entry, Journal, UnkeptJournal
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.field_service import FieldService
from softctl.runtime.folder import MachineFolder
from softctl.web.local import LocalBench
from softctl.web.start import Page, PageSettings, local_page

PATIENCE_S = 120.0


class Look:
    """Somebody's browser: what it was told, and what it may ask."""

    def __init__(self, socket: ClientConnection) -> None:
        self._socket = socket
        self._asked = 0
        self.values: list[Any] = []
        self.seen: list[dict[str, Any]] = []

    async def next(self) -> dict[str, Any]:
        """The next message, taken in as a page does."""
        message: dict[str, Any] = json.loads(
            await asyncio.wait_for(self._socket.recv(), PATIENCE_S)
        )
        self.seen.append(message)
        if message["t"] == "full":
            self.values = message["v"]
        elif message["t"] == "delta":
            pairs = iter(message["v"])
            for index, value in zip(pairs, pairs, strict=True):
                self.values[index] = value
        return message

    async def until(self, kind: str, /, **wanted: Any) -> dict[str, Any]:
        """The next message of a kind that says this."""
        async with asyncio.timeout(PATIENCE_S):
            while True:
                message = await self.next()
                if message["t"] == kind and all(message.get(k) == v for k, v in wanted.items()):
                    return message

    async def until_value(self, place: int, value: Any) -> None:
        """Until a channel has a value."""
        async with asyncio.timeout(PATIENCE_S):
            while self.values[place : place + 1] != [value]:
                await self.next()

    async def ask(self, do: str, **details: Any) -> dict[str, Any]:
        """The reply to a deed, whatever it is."""
        self._asked += 1
        await self.send({"id": self._asked, "do": do, **details})
        return await self.until("reply", id=self._asked)

    async def do(self, what: str, **details: Any) -> dict[str, Any]:
        """The answer to a deed that has to be done."""
        reply = await self.ask(what, **details)
        assert "error" not in reply, reply
        answer: dict[str, Any] = reply["answer"]
        return answer

    async def send(self, message: Any) -> None:
        """Anything at all."""
        await self._socket.send(message if isinstance(message, str) else json.dumps(message))


class Served:
    """A running machine with its page."""

    def __init__(self, page: Page, bench: LocalBench, url: str, entries: list[Entry]) -> None:
        self.page = page
        self.bench = bench
        self.url = url
        self.entries = entries
        self.netloc = url.partition("//")[2].rstrip("/")
        self.trust: ssl.SSLContext | None = None
        """What a browser trusts, where the page is served over TLS."""

    @contextlib.asynccontextmanager
    async def look(self, **options: Any) -> AsyncIterator[Look]:
        """A viewer, from its first values on."""
        origin = options.pop("origin", self.url.rstrip("/"))
        url = f"{self.url.replace('http', 'ws', 1)}ws"
        async with connect(url, origin=origin, ssl=self.trust, **options) as socket:
            yield Look(socket)

    async def get(self, path: str, **headers: str) -> tuple[int, Mapping[str, str], bytes]:
        """Status, headers and body of a GET."""
        return await self.request("GET", path, headers)

    async def request(
        self, method: str, path: str, headers: Mapping[str, str], body: bytes = b""
    ) -> tuple[int, Mapping[str, str], bytes]:
        """The same of any request."""
        host, _, port = self.netloc.rpartition(":")
        reader, writer = await asyncio.open_connection(host, int(port), ssl=self.trust)
        sent = {"Host": self.netloc, "Connection": "close", **headers}
        if body:
            sent["Content-Length"] = str(len(body))
        lines = [f"{method} {path} HTTP/1.1", *(f"{k}: {v}" for k, v in sent.items())]
        writer.write("\r\n".join([*lines, "", ""]).encode() + body)
        answer = await asyncio.wait_for(reader.read(), PATIENCE_S)
        writer.close()
        head, _, rest = answer.partition(b"\r\n\r\n")
        status, *found = head.decode().split("\r\n")
        pairs = (line.partition(": ") for line in found)
        return int(status.split()[1]), {k.lower(): v for k, _, v in pairs}, rest


@contextlib.asynccontextmanager
async def served(
    folder: MachineFolder,
    *,
    has_field: bool = True,
    journal: Journal | None = None,
    path: Path | None = None,
    settings: PageSettings | None = None,
) -> AsyncIterator[Served]:
    """Field, controller and page of a machine in this loop, all on free ports."""
    clock = MachineClock()
    field = FieldService(FieldDevice(folder.machine, folder.build_plant()), clock)
    noted = journal or UnkeptJournal()
    entries: list[Entry] = []
    noted.listeners.append(entries.append)
    control = ControlService(Controller(folder.machine, folder.application), clock, journal=noted)
    bench = LocalBench(folder, control, field if has_field else None, noted, path)
    page = local_page(bench, settings or PageSettings())
    try:
        at_field = await field.start("127.0.0.1", 0)
        await control.start("127.0.0.1", 0, at_field)
        yield Served(page, bench, await page.start(), entries)
    finally:
        await page.close()
        await control.close()
        await field.close()
