"""Drives conformance scripts against a server object: no sockets, and no time passes."""

from __future__ import annotations

from collections.abc import Callable

from conform_reference import BITS, FILE, RECORDS, REGISTERS, Link, ReferenceServer

from softctl.conform import Case, Outcome, Range, Result, Site, Verdict, Wanted, choose
from softctl.conform.cases import script_of
from softctl.conform.evidence import Notebook
from softctl.conform.originals import Originals
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
    advance,
)
from softctl.conform.survey import survey
from softctl.conform.wire import split_replies
from softctl.values.tables import Table

WANTED = Wanted(
    unit=1,
    writes={
        Table.COILS: (Range(0, BITS + 100),),
        Table.HOLDING_REGISTERS: (Range(0, REGISTERS + 100),),
    },
    files={FILE: Range(0, RECORDS)},
)


class Wires:
    """The connections of one script."""

    def __init__(self, server: ReferenceServer) -> None:
        self.server = server
        self.notebook = Notebook()
        self._links: dict[int, Link | None] = {}
        self._received: dict[int, bytes] = {}

    def perform(self, step: Step) -> Heard:
        if isinstance(step, Pause):
            return Heard()
        link = self._link(step.line)
        is_closed = link is None or link.is_closed
        match step:
            case Send(number, data) if link is not None and not is_closed:
                self.notebook.note(number, "sent", data)
                self._received[number] += self.server.receive(link, data)
            case HalfClose(number) if link is not None and not is_closed:
                if not self.server.serves_half_closed:
                    self._received[number] = b""
                self.server.half_close(link)
            case Close(number) if link is not None:
                self.server.disconnect(link)
                self._links[number] = None
            case Hear(number, frames):
                return self._hear(number, frames, is_closed)
            case Settle(number):
                return self._hear(number, None, is_closed)
            case Open():
                return Heard(is_closed=is_closed)
        return Heard()

    def _hear(self, number: int, frames: int | None, is_closed: bool) -> Heard:
        received = self._received.get(number, b"")
        if (link := self._links[number]) is not None:
            self.server.heard(link)
        self.notebook.note(number, "received", received)
        split = split_replies(received, frames)
        if frames is not None and len(split.replies) == frames:
            self._received[number] = split.rest
            return Heard(split.replies, received[: len(received) - len(split.rest)])
        self._received[number] = b""
        return Heard(split.replies, received, split.rest, split.is_lost, is_closed)

    def _link(self, number: int) -> Link | None:
        if number not in self._links:
            link = self._links[number] = self.server.connect()
            self._received[number] = self.server.greeting(link) if link else b""
        return self._links[number]

    def close(self) -> None:
        for link in self._links.values():
            if link is not None:
                self.server.disconnect(link)


def finish(server: ReferenceServer, script: Script):
    """Drive a script to its value."""
    wires = Wires(server)
    try:
        step = next(script)
        while True:
            step = script.send(wires.perform(step))
    except StopIteration as stop:
        return stop.value
    finally:
        wires.close()


def site_of(server: ReferenceServer, wanted: Wanted = WANTED) -> Site:
    return finish(server, survey(wanted, Originals()))


def play(server: ReferenceServer, site: Site, case: Case) -> Result:
    wires = Wires(server)
    script = script_of(case, site)
    step = advance(script, None)
    while not isinstance(step, Outcome):
        step = advance(script, wires.perform(step))
    wires.close()
    return Result(case, step, wires.notebook.evidence())


def play_all(make: Callable[[], ReferenceServer], site: Site) -> dict[str, Result]:
    """Every case by id, each with a new server, so that none suffers from another's end."""
    return {case.id: play(make(), site, case) for case in choose()}


def failed(results: dict[str, Result]) -> set[str]:
    return {name for name, result in results.items() if result.outcome.verdict is Verdict.FAIL}
