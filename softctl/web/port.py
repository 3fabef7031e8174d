"""The page's server: uvicorn in the event loop that runs the machine."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from softctl.errors import SoftctlError
from softctl.runtime.events import EventSink
from softctl.runtime.tasks import end_task
from softctl.web.hub import Hub

LONGEST_MESSAGE = 2 * 1024 * 1024
"""Bytes of a viewer's message: the programs of a machine fit."""

_CONNECTIONS = 200
_PATIENCE_S = 10


@dataclass(frozen=True, slots=True)
class TlsFiles:
    """A certificate, with its chain, and its private key, as PEM files."""

    certificate: Path
    key: Path


class _Server(uvicorn.Server):
    """Leaves the signals to whoever runs the loop."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Nothing: Ctrl-C closes the page with everything else."""
        yield


class PagePort:
    """Serves an application, and looks at the bench for its viewers, until it is closed.

    Everything that takes long is done here already, so that `start` holds up no scan. Raises
    SoftctlError for a certificate or key that will not do.
    """

    def __init__(
        self, app: ASGIApp, hub: Hub, sink: EventSink, tls: TlsFiles | None = None
    ) -> None:
        self._sink = sink
        self._hub = hub
        self._config = _configured(app, tls)
        self._server: _Server | None = None
        self._tasks: list[asyncio.Task[None]] = []

    async def start(self, host: str, port: int) -> tuple[str, int]:
        """Listen, and return where; port 0 takes a free one. Raises SoftctlError."""
        listening = _listen(host, port)
        self._server = _Server(self._config)
        serving = asyncio.create_task(self._server.serve([listening]))
        serving.add_done_callback(self._tell_failure)
        self._tasks = [serving, asyncio.create_task(self._hub.run())]
        found = listening.getsockname()
        return str(found[0]), int(found[1])

    async def close(self) -> None:
        """Send everybody away and stop listening."""
        if self._server is None:
            return
        self._server.should_exit = True
        serving, looking = self._tasks
        await asyncio.wait([serving], timeout=5.0)
        await end_task(looking)
        with contextlib.suppress(Exception):  # it was told of when it happened
            await end_task(serving)

    def _tell_failure(self, serving: asyncio.Task[None]) -> None:
        error = None if serving.cancelled() else serving.exception()
        if error is not None:
            self._sink("bench page is no longer served", reason=repr(error))


def _configured(app: ASGIApp, tls: TlsFiles | None) -> uvicorn.Config:
    logging.getLogger("uvicorn").setLevel(logging.CRITICAL)
    config = uvicorn.Config(
        app,
        loop="none",
        http="h11",
        ws="websockets-sansio",
        ws_max_size=LONGEST_MESSAGE,
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        limit_concurrency=_CONNECTIONS,
        timeout_keep_alive=_PATIENCE_S,
        timeout_graceful_shutdown=1,
        ssl_certfile=None if tls is None else tls.certificate,
        ssl_keyfile=None if tls is None else tls.key,
        ssl_keyfile_password=None if tls is None else "",
    )
    try:
        config.load()
    except (OSError, ssl.SSLError) as error:
        assert tls is not None, "nothing else is read"
        raise SoftctlError(
            f"expected a certificate in {tls.certificate} and its key, without a password, in "
            f"{tls.key}, got: {error}"
        ) from None
    return config


def _listen(host: str, port: int) -> socket.socket:
    """A listening socket; raises SoftctlError where there can be none."""
    try:
        (family, kind, protocol, _, address), *_ = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )
        found = socket.socket(family, kind, protocol)
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        found.bind(address)
        found.listen()
        found.setblocking(False)
    except OSError as error:
        raise SoftctlError(
            f"expected a free address to serve the page on, got {host}:{port}: {error.strerror}"
        ) from None
    return found
