"""A machine in virtual time, for tests in Python."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from softctl.errors import SoftctlError
from softctl.machine.document import Plain
from softctl.plant import build_plant
from softctl.runtime.folder import MachineFolder
from softctl.testing.orders import Given, NotMetError, Orders, Time, time_text
from softctl.trial import model
from softctl.trial.bench import VirtualBench
from softctl.trial.model import Action, AnyRow
from softctl.trial.names import Read, value_reader
from softctl.trial.parse import with_parameters
from softctl.trial.play import Player
from softctl.trial.result import Verdict
from softctl.trial.run import carry_out, charts, flag_reader

_S = 1_000_000_000


class Bench:
    """A plant and a controller that run as fast as they can, to the times that a test asks for.

    Args:
        folder: a machine folder, or the demo.
        equipment: parameters that differ from the machine file's.
        set: set points and held commands before the first scan.

    Times are quantities such as `"90 s"`, or seconds. Every method raises SoftctlError for
    what the machine does not have, and those that expect something NotMetError, which is an
    AssertionError.
    """

    def __init__(
        self,
        folder: str | Path | MachineFolder | None = None,
        *,
        equipment: Given | None = None,
        set: Mapping[str, Plain] | None = None,
    ) -> None:
        self._orders = Orders(folder)
        parameters, settings = self._orders.given(equipment, set)
        around = self._orders.around
        machine = with_parameters(around.machine, parameters)
        plant = build_plant(machine, around.blocks)
        self.virtual = VirtualBench(machine, around.application, plant)
        for name, value in settings.items():
            self.virtual.put(name, value)
        self._flags = flag_reader(self.virtual.controller.instance, charts(around.application))
        self._watches: list[tuple[Player, Read]] = []
        self._broken: Verdict | None = None
        self._must_scan = False
        self._has_told_fault = False
        self.virtual.after_scan = self._look
        while not self.virtual.controller.link_healthy:
            self.virtual.next_scan()

    # Looking

    @property
    def now(self) -> float:
        """The time, in seconds."""
        return self.virtual.now_ns / _S

    def __getitem__(self, name: str) -> Any:
        """The value of a point, a program variable or a terminal of the equipment."""
        path, _ = self._orders.names.find(name)
        controller, plant = self.virtual.controller, self.virtual.plant
        return value_reader(self._orders.names, [path], controller, plant)()[0]

    def steps(self, chart: str) -> tuple[str, ...]:
        """The active steps of a program's chart."""
        return self.virtual.controller.instance.active_steps(chart)

    # Doing

    def command(self, *names: str) -> None:
        """Give commands as an HMI does."""
        self._do(self._orders.row("command", list(names)))

    def withdraw(self, *names: str) -> None:
        """Take back commands that hold."""
        self._do(self._orders.row("withdraw", list(names)))

    def set(self, **values: Plain) -> None:
        """Write set points: `set(STIR_TIME="20 s")`."""
        self._do(self._orders.row("set", dict(values)))

    def fault(
        self,
        what: str,
        *,
        size: str | float | None = None,
        after: Time | None = None,
        for_: Time | None = None,
        ramp: Time | None = None,
    ) -> None:
        """Break equipment: `fault("LT_101 drift", size="20 mm", ramp="30 s")`."""
        times = {"after": time_text(after), "for": time_text(for_), "ramp": time_text(ramp)}
        self._do(self._orders.row("fault", what, size=size, **times))

    def mend(self, what: str) -> None:
        """End the faults of a piece of equipment, or one of them."""
        self._do(self._orders.row("mend", what))

    def force(self, values: Mapping[str, Plain], *, for_: Time | None = None) -> None:
        """Hold points or program variables at values."""
        self._do(self._orders.row("force", dict(values), **{"for": time_text(for_)}))

    def release(self, *names: str) -> None:
        """Let forced variables go; all without names."""
        self._do(self._orders.row("release", list(names) or "all"))

    def cut_wire(self, *, for_: Time | None = None) -> None:
        """Cut the wire between controller and field."""
        self._do(self._orders.row("wire", "cut", **{"for": time_text(for_)}))

    def mend_wire(self) -> None:
        """Make the wire whole again."""
        self._do(self._orders.row("wire", "mended"))

    # Letting time pass

    def run_for(self, time: Time) -> None:
        """Let a time pass."""
        row = self._orders.row("wait", time_text(time))
        assert isinstance(row, model.Wait)
        self._must_scan = False
        self.virtual.run_to(self.virtual.now_ns + row.time_ns)
        self._raise_broken()

    def run_until(self, condition: str, within: Time) -> float:
        """Go on until a condition is true; the time, in seconds."""
        self._play(self._orders.row("wait until", condition, within=time_text(within)))
        return self.now

    def expect(
        self, condition: str, *, within: Time | None = None, for_: Time | None = None
    ) -> None:
        """A condition is true: now (after a deed, in the next scan), or within a time."""
        times = {"within": time_text(within), "for": time_text(for_)}
        self._play(self._orders.row("expect", condition, **times))

    def compare(
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
        self._play(self._orders.row("compare", value, **keys))

    def sequence(self, steps: list[Plain], *, within: Time, chart: str | None = None) -> None:
        """A chart enters these steps, in this order and no others."""
        row = self._orders.row("sequence", steps, within=time_text(within), chart=chart)
        self._play(row)

    def never(self, condition: str) -> None:
        """From here on a condition is false in every scan; told by the call that lets it pass."""
        self._watch(self._orders.row("never", condition))

    def always(self, condition: str) -> None:
        """From here on a condition is true in every scan."""
        self._watch(self._orders.row("always", condition))

    def _do(self, row: AnyRow) -> None:
        assert isinstance(row, Action)
        carry_out(row, self.virtual)
        self._must_scan = True

    def _watch(self, row: AnyRow) -> None:
        player = self._orders.player(row)
        self._watches.append((player, self._reader(player)))

    def _reader(self, player: Player) -> Read:
        controller, plant = self.virtual.controller, self.virtual.plant
        return value_reader(self._orders.names, player.evaluator.names, controller, plant)

    def _play(self, row: AnyRow) -> None:
        player = self._orders.player(row)
        read = self._reader(player)
        if not self._must_scan:
            player.sample(self.virtual.now_ns, read(), self._flags())
        self._must_scan = False
        while not player.is_over and self._broken is None:
            now_ns = self.virtual.next_scan()
            player.sample(now_ns, read(), self._flags())
        self._raise_broken()
        self._orders.judge(player.result())

    def _look(self, now_ns: int) -> None:
        """The watches, and the program's own failure, after every scan."""
        for player, read in self._watches:
            player.sample(now_ns, read(), self._flags())
            verdicts = player.broken()
            if verdicts and self._broken is None:
                self._broken = verdicts[0]

    def _raise_broken(self) -> None:
        """A broken watch, and a program that has just stopped by itself."""
        broken, self._broken = self._broken, None
        if broken is not None:
            self._watches = [pair for pair in self._watches if not pair[0].broken()]
            raise NotMetError(broken)
        fault = self.virtual.controller.fault
        if fault is not None and not self._has_told_fault:
            self._has_told_fault = True
            raise SoftctlError(f"the program stopped: {fault}")
