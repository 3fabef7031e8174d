"""Writes what clients ask of a server, and what they get, to a file."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from softctl.errors import SoftctlError
from softctl.modbus.clients import Client
from softctl.modbus.requests import Reject, Request
from softctl.recording.session import Closed, Event, Exchange, Opened, head_line, to_line

_FLUSH_EVERY_NS = 1_000_000_000


class Recorder:
    """Takes a server's calls, as an audit does, and writes a line for each.

    Times count from the first thing that happens.

    A disk that is full ends the recording, not the server; `failure` then says why.

    Raises:
        SoftctlError: the file is there already and may not be replaced, or cannot be made.
    """

    def __init__(self, path: Path, machine: str, server: str, *, overwrite: bool = False) -> None:
        self.requests = 0
        self.failure = ""
        self._path = path
        self._numbers: dict[Client, int] = {}
        self._started_ns: int | None = None
        self._flushed_ns = time.monotonic_ns()
        self._file: TextIO | None = _opened(path, overwrite)
        self._write(head_line(machine, server, datetime.now(UTC).isoformat(timespec="seconds")))

    @property
    def clients(self) -> int:
        """The connections that were recorded."""
        return len(self._numbers)

    def opened(self, client: Client) -> None:
        """A client has connected."""
        number = self._numbers[client] = len(self._numbers) + 1
        self._add(Opened(self._since(time.monotonic_ns()), number, client.name))

    def closed(self, client: Client) -> None:
        """A client has gone; one that was not let in was never there."""
        number = self._numbers.get(client)
        if number is not None:
            self._add(Closed(self._since(time.monotonic_ns()), number))

    def on_request(
        self, client: Client, frame: bytes, request: Request | Reject | None, reply: bytes | None
    ) -> None:
        """One frame has been dealt with (`softctl.modbus.server.Observer`)."""
        self.requests += 1
        if client not in self._numbers:  # it was there before the recording
            self.opened(client)
        number = self._numbers[client]
        at_ns = self._since(client.last_used_ns)
        self._add(Exchange(at_ns, number, bytes(frame), None if reply is None else bytes(reply)))

    def close(self) -> None:
        """Finish the file; raises SoftctlError if something was lost."""
        try:
            if self._file is not None:
                self._file.close()
        except OSError as error:
            self.failure = error.strerror or str(error)
        self._file = None
        if self.failure:
            raise SoftctlError(
                f"expected to write the whole recording to {self._path}, got: {self.failure}"
            )

    def _since(self, now_ns: int) -> int:
        if self._started_ns is None:
            self._started_ns = now_ns
        return max(0, now_ns - self._started_ns)

    def _add(self, event: Event) -> None:
        self._write(to_line(event))

    def _write(self, line: str) -> None:
        if self._file is None or self.failure:
            return
        try:
            self._file.write(line)
            now_ns = time.monotonic_ns()
            if now_ns - self._flushed_ns > _FLUSH_EVERY_NS:
                self._flushed_ns = now_ns
                self._file.flush()
        except OSError as error:
            self.failure = error.strerror or str(error)


def _opened(path: Path, overwrite: bool) -> TextIO:
    try:
        return path.open("w" if overwrite else "x", encoding="utf-8")
    except FileExistsError:
        raise SoftctlError(
            f"expected a new file, got {path}, which is there: --overwrite"
        ) from None
    except OSError as error:
        raise SoftctlError(f"expected a file to write, got {path}: {error.strerror}") from None
