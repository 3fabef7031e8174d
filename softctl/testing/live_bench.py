"""A machine in real time over Modbus/TCP, for tests in Python."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from softctl.machine.document import Plain
from softctl.runtime.folder import MachineFolder
from softctl.runtime.live_machine import LiveMachine, slack_ns
from softctl.testing.orders import Given, Orders, Time, time_text
from softctl.trial.model import Action, AnyRow
from softctl.trial.names import value_reader

_S = 1_000_000_000


class LiveBench:
    """A field and a controller that meet over loopback TCP, and an HMI's connection to them.

    The same words as `Bench`, awaited, inside `async with`. Conditions see what they see in
    virtual time; `speed` is machine time against wall time.
    """

    def __init__(
        self,
        folder: str | Path | MachineFolder | None = None,
        *,
        equipment: Given | None = None,
        set: Mapping[str, Plain] | None = None,
        speed: float = 1.0,
    ) -> None:
        self._orders = Orders(folder)
        self._speed = speed
        parameters, settings = self._orders.given(equipment, set)
        self.machine = LiveMachine(self._orders.around, parameters, settings, speed)

    async def __aenter__(self) -> LiveBench:
        await self.machine.__aenter__()
        return self

    async def __aexit__(self, *details: object) -> None:
        await self.machine.__aexit__(*details)

    @property
    def now(self) -> float:
        """Machine time since the first scan on a healthy link, in seconds."""
        return self.machine.now_ns / _S

    async def value(self, name: str) -> Any:
        """The value of a point, a program variable or a terminal of the equipment."""
        path, _ = self._orders.names.find(name)
        live = self.machine
        return value_reader(self._orders.names, [path], live.controller, live.plant)()[0]

    async def command(self, *names: str) -> None:
        """Give commands as an HMI does."""
        await self._do(self._orders.row("command", list(names)))

    async def withdraw(self, *names: str) -> None:
        """Take back commands that hold."""
        await self._do(self._orders.row("withdraw", list(names)))

    async def set(self, **values: Plain) -> None:
        """Write set points."""
        await self._do(self._orders.row("set", dict(values)))

    async def fault(
        self,
        what: str,
        *,
        size: str | float | None = None,
        after: Time | None = None,
        for_: Time | None = None,
        ramp: Time | None = None,
    ) -> None:
        """Break equipment."""
        times = {"after": time_text(after), "for": time_text(for_), "ramp": time_text(ramp)}
        await self._do(self._orders.row("fault", what, size=size, **times))

    async def mend(self, what: str) -> None:
        """End the faults of a piece of equipment, or one of them."""
        await self._do(self._orders.row("mend", what))

    async def force(self, values: Mapping[str, Plain], *, for_: Time | None = None) -> None:
        """Hold points or program variables at values."""
        await self._do(self._orders.row("force", dict(values), **{"for": time_text(for_)}))

    async def release(self, *names: str) -> None:
        """Let forced variables go; all without names."""
        await self._do(self._orders.row("release", list(names) or "all"))

    async def cut_wire(self, *, for_: Time | None = None) -> None:
        """Cut the wire between controller and field."""
        await self._do(self._orders.row("wire", "cut", **{"for": time_text(for_)}))

    async def mend_wire(self) -> None:
        """Make the wire whole again."""
        await self._do(self._orders.row("wire", "mended"))

    async def run_for(self, time: Time) -> None:
        """Let a time pass."""
        await self._play(self._orders.row("wait", time_text(time)))

    async def run_until(self, condition: str, within: Time) -> float:
        """Go on until a condition is true; the time, in seconds."""
        await self._play(self._orders.row("wait until", condition, within=time_text(within)))
        return self.now

    async def expect(
        self, condition: str, *, within: Time | None = None, for_: Time | None = None
    ) -> None:
        """A condition is true, in the next scan or within a time, and for a time."""
        times = {"within": time_text(within), "for": time_text(for_)}
        await self._play(self._orders.row("expect", condition, **times))

    async def compare(
        self,
        value: str,
        with_: str | float,
        *,
        band: str | float,
        within: Time | None = None,
        for_: Time | None = None,
    ) -> None:
        """A value lies within a band of a reference."""
        keys = {"with": with_, "band": band, "within": time_text(within), "for": time_text(for_)}
        await self._play(self._orders.row("compare", value, **keys))

    async def sequence(self, steps: list[Plain], *, within: Time, chart: str | None = None) -> None:
        """A chart enters these steps, in this order and no others."""
        row = self._orders.row("sequence", steps, within=time_text(within), chart=chart)
        await self._play(row)

    async def _do(self, row: AnyRow) -> None:
        assert isinstance(row, Action)
        await self.machine.carry_out(row)

    async def _play(self, row: AnyRow) -> None:
        player = self._orders.player(row, slack_ns(self.machine.machine, self._speed))
        await self.machine.play(player, self._orders.names)
        self._orders.judge(player.result())
