"""A Mosquitto broker of the test's own, a wire to it that can be cut, and an observer."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import aiomqtt

PATIENCE_S = 20.0
"""Only to end a test that would hang; nothing is measured with it."""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """The broker, as a process on a free port; `lines` go into its configuration."""

    def __init__(self, program: str, folder: Path, *lines: str) -> None:
        self.port = free_port()
        self._program = program
        self._config = folder / "mosquitto.conf"
        head = [
            "user root",
            f"listener {self.port} 127.0.0.1",
            "persistence false",
            "log_dest none",
        ]
        self._config.write_text("\n".join([*head, *(lines or ("allow_anonymous true",))]) + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(
            [self._program, "-c", str(self._config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            assert self._process.poll() is None, self._config.read_text()
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return
            time.sleep(0.02)
        raise AssertionError("the broker does not listen")

    def kill(self) -> None:
        """As kill -9 does."""
        assert self._process is not None
        self._process.kill()
        self._process.wait()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()


class Wire:
    """A TCP connection to a broker that can be cut, shut to new ones, and made to stand
    still towards the broker."""

    def __init__(self, port: int) -> None:
        self.port = 0
        self._target = port
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self.flows = asyncio.Event()
        self.flows.set()

    async def __aenter__(self) -> Self:
        await self.open()
        return self

    async def open(self) -> None:
        """Take connections, always at the same port."""
        # A small window, so that a broker that does not read is soon felt.
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port, limit=1_024)
        self.port = self._server.sockets[0].getsockname()[1]

    def shut(self) -> None:
        """Refuse new connections."""
        assert self._server is not None
        self._server.close()

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.shut()
        self.flows.set()
        self.cut()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def cut(self) -> None:
        """End every connection at once."""
        for writer in self._writers:
            writer.transport.abort()
        self._writers.clear()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target)
        self._writers.add(far_writer)
        for one in (
            self._carry(reader, far_writer, self.flows),
            self._carry(far_reader, writer, None),
        ):
            task = asyncio.create_task(one)
            self._tasks.add(task)

    async def _carry(
        self,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        flows: asyncio.Event | None,
    ) -> None:
        with contextlib.suppress(ConnectionError, OSError):
            while data := await reader.read(4_096):
                if flows is not None:
                    await flows.wait()
                writer.write(data)
                await writer.drain()
        writer.close()


@dataclass(frozen=True, slots=True)
class Seen:
    """One message that an observer got."""

    topic: str
    payload: bytes
    retain: bool
    properties: Any = None

    @property
    def body(self) -> Any:
        return json.loads(self.payload)


class Observer:
    """A client that keeps what it gets of some topics."""

    def __init__(self, port: int, *topics: str, version: int = 5, **options: Any) -> None:
        protocol = aiomqtt.ProtocolVersion.V5 if version == 5 else aiomqtt.ProtocolVersion.V311
        self.client = aiomqtt.Client("127.0.0.1", port, protocol=protocol, **options)
        self._topics = topics
        self.seen: list[Seen] = []
        self._task: asyncio.Task[None] | None = None
        self._news = asyncio.Event()

    async def __aenter__(self) -> Self:
        await self.client.__aenter__()
        for topic in self._topics:
            await self.client.subscribe(topic, 1)
        self._task = asyncio.create_task(self._listen())
        return self

    async def __aexit__(self, *details: Any) -> None:
        assert self._task is not None
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)
        with contextlib.suppress(aiomqtt.MqttError):
            await self.client.__aexit__(*details)

    async def _listen(self) -> None:
        async for message in self.client.messages:
            payload = message.payload
            assert isinstance(payload, bytes)
            self.seen.append(
                Seen(message.topic.value, payload, bool(message.retain), message.properties)
            )
            self._news.set()

    async def ended(self) -> None:
        """Wait for the end of the connection, with all that came before it."""
        assert self._task is not None
        await asyncio.wait([self._task], timeout=PATIENCE_S)

    def of(self, end: str) -> list[Seen]:
        """Those whose topic ends so."""
        return [one for one in self.seen if one.topic.endswith(end)]

    async def until(self, is_there: Callable[[], Any]) -> Any:
        """Wait for it; what it gave."""
        return await until(is_there, self._news)


async def until(is_there: Callable[[], Any], news: asyncio.Event | None = None) -> Any:
    """Wait for something to be true; what it gave."""
    async with asyncio.timeout(PATIENCE_S):
        while not (found := is_there()):
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for((news or asyncio.Event()).wait(), 0.02)
            if news is not None:
                news.clear()
    return found


class Told:
    """The events that a connection told."""

    def __init__(self) -> None:
        self.events: list[tuple[str, dict[str, object]]] = []

    def __call__(self, event: str, **fields: object) -> None:
        self.events.append((event, fields))

    def reasons(self) -> list[object]:
        return [fields["reason"] for _, fields in self.events if "reason" in fields]

    def count(self, event: str) -> int:
        return sum(name == event for name, _ in self.events)
