"""A running controller's own entrance for its people: a socket in its state directory.

One request a line, one answer a line, both JSON. Only the user who runs the controller can
open it; nothing on the network can.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
from collections.abc import Callable, Coroutine, Mapping
from pathlib import Path
from typing import Any

from softctl.errors import SoftctlError

Request = Mapping[str, Any]
Answer = dict[str, Any]
Handler = Callable[[Request], Coroutine[Any, Any, Answer]]

_LONGEST_LINE = 16 * 1024 * 1024
_LONGEST_PATH = 100
"""Of about 108 bytes that a socket's path may have."""


class ServicePort:
    """Serves requests until it is closed."""

    def __init__(self, path: Path, handler: Handler) -> None:
        self.path = path
        self._handler = handler
        self._server: asyncio.Server | None = None

    async def start(self) -> None:
        """Listen; raises SoftctlError where that cannot be, or another controller does."""
        if len(os.fsencode(self.path)) > _LONGEST_PATH:
            raise SoftctlError(f"expected a shorter path for a socket, got {self.path}")
        if _is_answered(self.path):
            raise SoftctlError(f"another controller of this machine runs already ({self.path})")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self.path.unlink(missing_ok=True)
            before = os.umask(0o177)
            try:
                self._server = await asyncio.start_unix_server(
                    self._serve, self.path, limit=_LONGEST_LINE
                )
            finally:
                os.umask(before)
        except OSError as error:
            raise SoftctlError(f"cannot listen at {self.path}: {error.strerror}") from None

    async def close(self) -> None:
        """Stop listening and take the socket away."""
        if self._server is not None:
            self._server.close()
            self.path.unlink(missing_ok=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(ConnectionError, ValueError):
            while line := await reader.readline():
                answer = await self._answer(line)
                writer.write(json.dumps(answer, default=str).encode() + b"\n")
                await writer.drain()
        writer.close()

    async def _answer(self, line: bytes) -> Answer:
        try:
            request = json.loads(line)
            if not isinstance(request, dict):
                return {"error": "expected an object"}
            return await self._handler(request)
        except SoftctlError as error:
            return {"error": str(error)}
        except (ValueError, KeyError, TypeError) as error:
            return {"error": f"expected another request: {error}"}


def ask(path: Path, request: Request, timeout_s: float = 30.0) -> Answer:
    """Ask a running controller; raises SoftctlError with its refusal, or if none runs."""
    try:
        with socket.socket(socket.AF_UNIX) as connection:
            connection.settimeout(timeout_s)
            connection.connect(os.fspath(path))
            connection.sendall(json.dumps(request).encode() + b"\n")
            with connection.makefile("rb") as file:
                line = file.readline()
    except (FileNotFoundError, ConnectionRefusedError):
        raise SoftctlError(f"expected a running controller, got none at {path}") from None
    except OSError as error:
        raise SoftctlError(f"no answer from the controller at {path}: {error}") from None
    if not line:
        raise SoftctlError(f"the controller at {path} went away")
    answer: Answer = json.loads(line)
    if "error" in answer:
        raise SoftctlError(str(answer["error"]))
    return answer


def _is_answered(path: Path) -> bool:
    try:
        with socket.socket(socket.AF_UNIX) as connection:
            connection.connect(os.fspath(path))
    except OSError:
        return False
    return True
