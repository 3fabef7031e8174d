"""Where a running command says what happens: a status screen, lines of text, or JSON."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Any, Protocol, Self

from softctl.cli.caution import CAUTION
from softctl.cli.status import Status
from softctl.machine import Endpoint, Machine
from softctl.runtime.clock import MachineClock

Where = tuple[str, int]

_FIRST_POINTS = 6


class Output(Protocol):
    """What a running command tells; used as a context manager around the run."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...

    def begin(self, clock: MachineClock, field: Where, hmi: Where | None) -> None:
        """Everything listens: say where."""

    def event(self, event: str, **fields: object) -> None:
        """Something happened."""

    async def refresh(self) -> None:
        """Keep showing the status; never returns."""


def open_output(status: Status, *, as_json: bool) -> Output:
    """JSON if asked for, a screen on a terminal, else lines of text."""
    if as_json:
        return JsonOutput(status)
    return ScreenOutput(status) if sys.stdout.isatty() else TextOutput(status)


class TextOutput:
    """A line for each event and each change of a step: for pipes, files and containers."""

    def __init__(self, status: Status) -> None:
        self.status = status

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._line("stopped")

    def begin(self, clock: MachineClock, field: Where, hmi: Where | None) -> None:
        self.status.clock = clock
        for line in opening_lines(self.status, field, hmi):
            self._line(line)

    def event(self, event: str, **fields: object) -> None:
        self._line(event_text(self.status, event, fields))

    async def refresh(self) -> None:
        await watch_steps(self.status, self.event)

    def _line(self, text: str) -> None:
        print(text, flush=True)


class JsonOutput:
    """One JSON object per event, through structlog."""

    def __init__(self, status: Status) -> None:
        import structlog

        structlog.configure(
            processors=[
                structlog.processors.add_log_level,
                structlog.processors.TimeStamper(fmt="iso", utc=True),
                structlog.processors.JSONRenderer(),
            ],
            logger_factory=structlog.PrintLoggerFactory(sys.stdout),
        )
        self.status = status
        self._log: Any = structlog.get_logger(machine=status.machine.name)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.event("stopped")

    def begin(self, clock: MachineClock, field: Where, hmi: Where | None) -> None:
        self.status.clock = clock
        where = {"field": "{}:{}".format(*field)}
        if hmi is not None:
            where["hmi"] = "{}:{}".format(*hmi)
        self.event("ready", caution=CAUTION, speed=clock.speed, **where)

    def event(self, event: str, **fields: object) -> None:
        self._log.info(event, machine_s=self.status.machine_seconds(), **fields)
        sys.stdout.flush()

    async def refresh(self) -> None:
        await watch_steps(self.status, self.event)


class ScreenOutput:
    """The opening lines, then a status that is redrawn in place."""

    _EVENTS = 5
    _PERIOD_S = 0.25

    def __init__(self, status: Status) -> None:
        from rich.console import Console
        from rich.live import Live

        self.status = status
        self._console = Console()
        self._live = Live(console=self._console, auto_refresh=False, transient=False)
        self._events: list[str] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()
        self._console.print("stopped")

    def begin(self, clock: MachineClock, field: Where, hmi: Where | None) -> None:
        self.status.clock = clock
        for line in opening_lines(self.status, field, hmi):
            self._console.print(line, highlight=False, markup=False)
        self._live.start()

    def event(self, event: str, **fields: object) -> None:
        self._events = [*self._events, event_text(self.status, event, fields)][-self._EVENTS :]

    async def refresh(self) -> None:
        from softctl.cli.screen import draw

        while True:
            self._live.update(draw(self.status, self._events), refresh=True)
            await asyncio.sleep(self._PERIOD_S)


def opening_lines(status: Status, field: Where, hmi: Where | None) -> list[str]:
    """Title, caution, endpoints and the first points of the map."""
    machine = status.machine
    speed = status.clock.speed if status.clock else 1.0
    lines = [
        f"{machine.name}: {machine.title}" + (f" (speed x{speed:g})" if speed != 1 else ""),
        CAUTION,
        _server_line("field", field, machine.field),
    ]
    if hmi is not None:
        lines.append(_server_line("HMI", hmi, machine.hmi))
    return [*lines, *_first_points(machine, is_hmi=hmi is not None)]


def _server_line(name: str, where: Where, server: Endpoint) -> str:
    return (
        f"{name:<6} {where[0]}:{where[1]}  unit {server.unit}  word order {server.word_order.name}"
    )


def _first_points(machine: Machine, *, is_hmi: bool) -> list[str]:
    from softctl.machine.register_map import register_map

    server = "hmi" if is_hmi else "field"
    rows = [row for row in register_map(machine) if row.server == server]
    shown = [
        f"  {row.table:<17} {row.address:>5}  {row.name:<18} {row.type:<6} {row.description}"
        for row in rows[:_FIRST_POINTS]
    ]
    return [*shown, f"  … {len(rows) - len(shown)} more points: softctl points"]


def event_text(status: Status, event: str, fields: dict[str, object]) -> str:
    """An event as one line, with machine time."""
    details = "  ".join(f"{name} {value}" for name, value in fields.items())
    return f"{status.machine_seconds():10.2f} s  {event}  {details}".rstrip()


async def watch_steps(status: Status, event: Callable[..., None]) -> None:
    """Tell every change of the active steps."""
    before: Sequence[tuple[str, Sequence[str]]] = ()
    while True:
        now = status.active_steps()
        for chart, steps in now:
            if (chart, steps) not in before:
                event("step", chart=chart, active=", ".join(steps) or "none")
        before = now
        await asyncio.sleep(0.05)
