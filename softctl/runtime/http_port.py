"""A small HTTP server on loopback that answers GET and HEAD, and nothing else."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from http import HTTPStatus

from softctl.errors import SoftctlError

HOST = "127.0.0.1"
_LONGEST_HEAD = 8_192
_PATIENCE_S = 5.0


@dataclass(frozen=True, slots=True)
class Page:
    """What a request gets."""

    status: HTTPStatus
    content_type: str
    body: bytes


Pages = Mapping[str, Callable[[], Page]]


class HttpPort:
    """Serves `pages` by path; a connection is for one request and does not last."""

    def __init__(self, pages: Pages) -> None:
        self._pages = pages
        self._server: asyncio.Server | None = None

    async def start(self, port: int) -> int:
        """Listen on loopback and return the port; raises SoftctlError."""
        try:
            self._server = await asyncio.start_server(self._serve, HOST, port, limit=_LONGEST_HEAD)
        except OSError as error:
            raise SoftctlError(f"cannot listen at {HOST}:{port}: {error.strerror}") from None
        found: int = self._server.sockets[0].getsockname()[1]
        return found

    async def close(self) -> None:
        """Stop listening."""
        if self._server is not None:
            self._server.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError, TimeoutError, asyncio.IncompleteReadError):
            async with asyncio.timeout(_PATIENCE_S):
                try:
                    head = await reader.readuntil(b"\r\n\r\n")
                except asyncio.LimitOverrunError:
                    head = b""
                writer.write(self._answer(head))
                await writer.drain()
        writer.close()

    def _answer(self, head: bytes) -> bytes:
        method, _, rest = head.decode("latin-1").partition("\r\n")[0].partition(" ")
        path = rest.partition(" ")[0].partition("?")[0]
        page = self._page(method, path)
        lines = [
            f"HTTP/1.1 {page.status.value} {page.status.phrase}",
            f"Content-Type: {page.content_type}",
            f"Content-Length: {len(page.body)}",
            "Cache-Control: no-store",
            "Connection: close",
        ]
        sent = b"" if method == "HEAD" else page.body
        return "\r\n".join([*lines, "", ""]).encode() + sent

    def _page(self, method: str, path: str) -> Page:
        if not path.startswith("/"):
            return _plain(HTTPStatus.BAD_REQUEST)
        if method not in ("GET", "HEAD"):
            return _plain(HTTPStatus.METHOD_NOT_ALLOWED)
        make = self._pages.get(path)
        return _plain(HTTPStatus.NOT_FOUND) if make is None else make()


def _plain(status: HTTPStatus) -> Page:
    return Page(status, "text/plain; charset=utf-8", f"{status.phrase}\n".encode())
