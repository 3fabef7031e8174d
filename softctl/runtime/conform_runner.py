"""Plays conformance scripts over real connections.

`softctl.conform` says what to send and judges what came; here are the sockets and the
waiting. Every case has connections of its own, so that none inherits another's trouble.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace
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
    Farewell,
    HalfClose,
    Hear,
    Heard,
    Open,
    Pause,
    Plain,
    Raw,
    Script,
    Send,
    Settle,
    Shake,
    Step,
    Unmet,
    advance,
)
from softctl.conform.survey import survey
from softctl.conform.wire import Split, split_replies
from softctl.errors import SoftctlError
from softctl.runtime.conform_lines import Dial, Line, attach, connect, reason_of, reset_on_close
from softctl.runtime.conform_tls import SecureLine, farewell, note_pieces, shake

T = TypeVar("T")

PAUSE_S = 0.01
LONGEST_SETTLE_S = 0.25
ADMISSION_S = 0.1


class Lines:
    """The connections of one script, by number."""

    def __init__(self, dial: Dial) -> None:
        self.dial = dial
        self.notebook = Notebook()
        self.slowest_s = 0.0
        self._lines: dict[int, Line | None] = {}

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
            case Shake() | Plain() | Raw() | Farewell():
                return await self._perform_tls(step)

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

    async def _perform_tls(self, step: Shake | Plain | Raw | Farewell) -> Heard:
        """The steps that are about TLS itself."""
        number = step.line
        line = self._lines.get(number)
        match step:
            case Shake(_, hello):
                self._lines[number], heard = await shake(self.dial, hello, self.notebook, number)
                return heard
            case Plain():
                self._lines[number] = await self._open(number, attach(self.dial, Line()))
            case Raw(_, data) if isinstance(line, SecureLine) and not line.is_closed:
                line.pieces.clear()
                line.transport.write(data)
                self.notebook.note(number, "sent (below TLS)", data)
            case Farewell() if isinstance(line, SecureLine):
                line.pieces.clear()
                heard = await farewell(line, self.dial.timeout_s)
                note_pieces(line, self.notebook, number)
                self.notebook.note(number, f"alert from the server: {heard.alert or 'none'}")
                return heard
        return Heard()

    async def _line(self, number: int) -> Line | None:
        """The connection; None when the server did not accept it."""
        if number not in self._lines:
            self._lines[number] = await self._open(number, connect(self.dial))
        return self._lines[number]

    async def _open(self, number: int, connecting: Awaitable[Line]) -> Line | None:
        try:
            line = await connecting
        except OSError as error:
            self.notebook.note(number, f"not connected: {reason_of(error)}")
            return None
        self.notebook.note(number, "connected")
        return line

    async def _send(self, number: int, data: bytes) -> Heard:
        line = await self._line(number)
        if line is None or line.is_closed or line.transport.is_closing():
            self.notebook.note(number, "not sent: the connection is closed")
            return Heard(is_closed=True)
        line.send(data)
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
        return _heard(split, raw, line)

    def _note_end(self, number: int, raw: bytes, line: Line, has_time: bool) -> None:
        if raw:
            self.notebook.note(number, "received", raw)
        if line.alert:
            self.notebook.note(number, f"alert from the server: {line.alert}")
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
        return _heard(split, raw, line)

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
            reset_on_close(line.transport)
            line.transport.abort()
        else:
            line.transport.close()
        self.notebook.note(number, "reset" if reset else "closed")
        await asyncio.sleep(0)
        return Heard(is_closed=True)


def _heard(split: Split, raw: bytes, line: Line) -> Heard:
    return Heard(split.replies, raw, split.rest, split.is_lost, line.is_closed, alert=line.alert)


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
            f"expected a Modbus/TCP server at {dial}, got {reason_of(error)}"
        ) from error
    if dial.tls is not None:
        await _require_admitted(dial, line)
    line.transport.close()
    await line.lost.wait()


async def _require_admitted(dial: Dial, line: Line) -> None:
    """With TLS 1.3 a server judges the client's certificate after the client's part."""
    deadline = time.monotonic() + ADMISSION_S
    while not line.is_closed and (left := deadline - time.monotonic()) > 0:
        await line.change(left)
    if line.is_closed:
        ending = line.ending
        reason = reason_of(ending) if isinstance(ending, OSError) else "a closed connection"
        raise SoftctlError(
            f"expected {dial} to let this client in, got {reason}: the server may want another "
            "--tls-cert"
        )


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
