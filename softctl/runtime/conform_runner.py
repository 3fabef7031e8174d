"""Plays conformance scripts over real connections.

`softctl.conform` says what to send and judges what came; here are the sockets and the
waiting. Every case has connections of its own, so that none inherits another's trouble.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import ssl
import struct
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TypeVar

from softctl import __version__
from softctl.conform import Case, Outcome, Result, Site, Wanted
from softctl.conform.cases import script_of
from softctl.conform.evidence import Notebook
from softctl.conform.originals import Originals, restore
from softctl.conform.report import Report
from softctl.conform.steps import (
    Close,
    HalfClose,
    Hear,
    Heard,
    Open,
    Pause,
    Script,
    Send,
    Settle,
    Step,
    Unmet,
    advance,
)
from softctl.conform.survey import survey
from softctl.conform.wire import split_replies
from softctl.errors import SoftctlError

T = TypeVar("T")

PAUSE_S = 0.01
SHORTEST_SETTLE_S = 0.05
LONGEST_SETTLE_S = 0.25
MAX_RECEIVED_BYTES = 1_000_000
"""A server that sends more than this unasked is cut off."""


@dataclass(frozen=True, slots=True)
class Dial:
    """How to reach the server.

    `timeout_s` is how long a connection or a reply may take, `settle_s` how long silence
    has to last before it counts as silence. `server_name` is the name its certificate has
    to show, when `tls` is given.
    """

    host: str
    port: int
    timeout_s: float = 1.0
    settle_s: float = SHORTEST_SETTLE_S
    tls: ssl.SSLContext | None = None
    server_name: str | None = None

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self.port}"


class _Line(asyncio.Protocol):
    """One connection: what came, and whether the server has closed it."""

    def __init__(self) -> None:
        self.received = bytearray()
        self.is_closed = False
        self.lost = asyncio.Event()
        self._changed = asyncio.Event()
        self.transport: asyncio.Transport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self.transport = transport

    def data_received(self, data: bytes) -> None:
        self.received += data
        self._changed.set()
        if len(self.received) > MAX_RECEIVED_BYTES:
            self.transport.abort()

    def eof_received(self) -> bool:
        """The transport closes itself, unless this side has closed its sending half."""
        self.is_closed = True
        self._changed.set()
        return False

    def connection_lost(self, exc: Exception | None) -> None:
        self.is_closed = True
        self.lost.set()
        self._changed.set()

    async def change(self, timeout_s: float) -> bool:
        """Wait for bytes or the end; False when neither came in time."""
        self._changed.clear()
        try:
            async with asyncio.timeout(timeout_s):
                await self._changed.wait()
        except TimeoutError:
            return False
        return True

    def take(self, size: int) -> bytes:
        data = bytes(self.received[:size])
        del self.received[:size]
        return data


class Lines:
    """The connections of one script, by number."""

    def __init__(self, dial: Dial) -> None:
        self.dial = dial
        self.notebook = Notebook()
        self.slowest_s = 0.0
        self._lines: dict[int, _Line | None] = {}

    async def perform(self, step: Step) -> Heard:
        """Do one step; what a step is not about is an empty `Heard`."""
        match step:
            case Pause():
                await asyncio.sleep(PAUSE_S)
                return Heard()
            case Open(number):
                line = await self._line(number)
                return Heard(is_closed=line is None or line.is_closed)
            case Send(number, data):
                return await self._send(number, data)
            case Hear(number, frames):
                return await self._hear(number, frames)
            case Settle(number):
                return await self._settle(number)
            case HalfClose(number):
                return await self._half_close(number)
            case Close(number, reset):
                return await self._close(number, reset)

    async def play(self, script: Script[None]) -> Outcome:
        """Drive a case to its outcome."""
        step = advance(script, None)
        while not isinstance(step, Outcome):
            step = advance(script, await self.perform(step))
        return step

    async def finish(self, script: Script[T]) -> T:
        """Drive a script to its value; its exceptions are the caller's."""
        try:
            step = next(script)
            while True:
                step = script.send(await self.perform(step))
        except StopIteration as stop:
            value: T = stop.value
            return value

    async def close(self) -> None:
        """End every connection, by force if need be."""
        lines = [line for line in self._lines.values() if line is not None]
        for line in lines:
            line.transport.close()
        for line in lines:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(line.lost.wait(), self.dial.timeout_s)
            line.transport.abort()

    async def _line(self, number: int) -> _Line | None:
        """The connection; None when the server did not accept it."""
        if number not in self._lines:
            try:
                self._lines[number] = await connect(self.dial)
                self.notebook.note(number, "connected")
            except OSError as error:
                self._lines[number] = None
                self.notebook.note(number, f"not connected: {_reason(error)}")
        return self._lines[number]

    async def _send(self, number: int, data: bytes) -> Heard:
        line = await self._line(number)
        if line is None or line.is_closed or line.transport.is_closing():
            self.notebook.note(number, "not sent: the connection is closed")
            return Heard(is_closed=True)
        line.transport.write(data)
        self.notebook.note(number, "sent", data)
        return Heard()

    async def _hear(self, number: int, frames: int) -> Heard:
        line = await self._line(number)
        if line is None:
            return Heard(is_closed=True)
        began = time.monotonic()
        has_time = True
        split = split_replies(line.received, frames)
        while len(split.replies) < frames and not (split.is_lost or line.is_closed) and has_time:
            has_time = await line.change(self.dial.timeout_s)
            split = split_replies(line.received, frames)
        if len(split.replies) == frames:
            self.slowest_s = max(self.slowest_s, time.monotonic() - began)
            raw = line.take(len(line.received) - len(split.rest))
            self.notebook.note(number, "received", raw)
            return Heard(split.replies, raw)
        raw = line.take(len(line.received))
        self._note_end(number, raw, line, has_time)
        return Heard(split.replies, raw, split.rest, split.is_lost, line.is_closed)

    def _note_end(self, number: int, raw: bytes, line: _Line, has_time: bool) -> None:
        if raw:
            self.notebook.note(number, "received", raw)
        if line.is_closed:
            self.notebook.note(number, "closed by the server")
        elif not has_time:
            self.notebook.note(number, f"nothing more within {self.dial.timeout_s:g} s")

    async def _settle(self, number: int) -> Heard:
        line = await self._line(number)
        if line is None:
            return Heard(is_closed=True)
        deadline = time.monotonic() + self.dial.settle_s
        while not line.is_closed and (left := deadline - time.monotonic()) > 0:
            await line.change(left)
        raw = line.take(len(line.received))
        self._note_end(number, raw, line, has_time=True)
        if not raw and not line.is_closed:
            self.notebook.note(number, f"nothing within {self.dial.settle_s:g} s")
        split = split_replies(raw)
        return Heard(split.replies, raw, split.rest, split.is_lost, line.is_closed)

    async def _half_close(self, number: int) -> Heard:
        line = await self._line(number)
        if line is not None and not line.is_closed:
            with contextlib.suppress(OSError):
                line.transport.write_eof()
                self.notebook.note(number, "sending side closed")
        return Heard()

    async def _close(self, number: int, reset: bool) -> Heard:
        line = await self._line(number)
        if line is None:
            return Heard(is_closed=True)
        if reset and not line.is_closed:
            _reset_on_close(line.transport)
            line.transport.abort()
        else:
            line.transport.close()
        self.notebook.note(number, "reset" if reset else "closed")
        await asyncio.sleep(0)
        return Heard(is_closed=True)


async def connect(dial: Dial) -> _Line:
    """A new connection; raises OSError (TimeoutError and TLS errors are some)."""
    loop = asyncio.get_running_loop()
    name = (dial.server_name or dial.host) if dial.tls else None
    async with asyncio.timeout(max(dial.timeout_s, 1.0)):
        _, line = await loop.create_connection(
            _Line, dial.host, dial.port, ssl=dial.tls, server_hostname=name
        )
    return line


async def run_cases(
    dial: Dial,
    wanted: Wanted,
    cases: Sequence[Case],
    *,
    on_site: Callable[[Site], None] = lambda site: None,
    on_result: Callable[[Result], None] = lambda result: None,
) -> Report:
    """Survey the server, play the cases one after the other, and put its values back.

    Args:
        dial: how to reach it.
        wanted: what may be read and written there.
        cases: those to play, in order.
        on_site: called with what the survey found, before the first case.
        on_result: called after each case.

    Raises:
        SoftctlError: the server cannot be reached, or answers no read.
    """
    started = datetime.now(UTC).isoformat(timespec="seconds")
    began_ns = time.monotonic_ns()
    await _require_reachable(dial)
    originals = Originals()
    results: list[Result] = []
    try:
        site, dial = await _survey(dial, wanted, originals)
        on_site(site)
        for case in cases:
            results.append(await _play(dial, site, case))
            on_result(results[-1])
    except BaseException:
        _require_restored(await _restore(dial, wanted.unit, originals))
        raise
    unrestored = await _restore(dial, wanted.unit, originals)
    duration_ns = time.monotonic_ns() - began_ns
    return Report(str(dial), started, __version__, site, results, duration_ns, unrestored)


async def _require_reachable(dial: Dial) -> None:
    try:
        line = await connect(dial)
    except OSError as error:
        raise SoftctlError(
            f"expected a Modbus/TCP server at {dial}, got {_reason(error)}"
        ) from error
    line.transport.close()
    await line.lost.wait()


async def _survey(dial: Dial, wanted: Wanted, originals: Originals) -> tuple[Site, Dial]:
    """The site, and a dial that waits as long as this server's pace asks for."""
    lines = Lines(dial)
    try:
        site = await lines.finish(survey(wanted, originals))
    except Unmet as unmet:
        raise SoftctlError(f"{unmet} ({dial}, unit {wanted.unit})") from unmet
    finally:
        await lines.close()
    settle_s = min(max(dial.settle_s, 3 * lines.slowest_s), max(dial.settle_s, LONGEST_SETTLE_S))
    return site, replace(dial, settle_s=settle_s)


async def _play(dial: Dial, site: Site, case: Case) -> Result:
    lines = Lines(dial)
    began_ns = time.monotonic_ns()
    try:
        outcome = await lines.play(script_of(case, site))
    finally:
        await lines.close()
    duration_ns = time.monotonic_ns() - began_ns
    return Result(case, outcome, lines.notebook.evidence(), duration_ns)


async def _restore(dial: Dial, unit: int, originals: Originals) -> list[str]:
    lines = Lines(dial)
    try:
        return await lines.finish(restore(unit, originals))
    finally:
        await lines.close()


def _require_restored(missed: Sequence[str]) -> None:
    """Where there will be no report to tell it."""
    if missed:
        first = ", ".join(missed[:5])
        raise SoftctlError(
            f"expected to put back what the write ranges held, got no confirmation for "
            f"{len(missed)} places: {first}" + (" …" if len(missed) > 5 else "")
        )


def _reason(error: OSError) -> str:
    if isinstance(error, TimeoutError):
        return "no connection in time"
    if isinstance(error, ssl.SSLError):
        return f"TLS error: {getattr(error, 'verify_message', '') or error.reason or error}"
    if isinstance(error, socket.gaierror) or not error.errno:
        return (error.strerror or str(error)).lower()
    return os.strerror(error.errno).lower()


def _reset_on_close(transport: asyncio.BaseTransport) -> None:
    """Linger of zero seconds makes the close a TCP reset."""
    sock = transport.get_extra_info("socket")
    if sock is not None:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
