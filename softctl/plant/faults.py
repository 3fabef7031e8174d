"""Things broken on purpose: at a time, for a time, at once or ramped."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from math import inf

from softctl.errors import SoftctlError
from softctl.plant.blocks import Input

Write = Callable[[str, bool | float], None]


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of one piece of equipment.

    `equipment` is a name, or `*` for every piece that can have the fault; `name` is one of
    those that `Plant.faults` gives. `at_ns` is the time it comes, `for_ns` how long it stays
    (None: for good). `size`, in SI, is how large it is where it is no mere yes or no (None:
    as its block says), and `ramp_ns` how long it takes to grow to that.
    """

    equipment: str
    name: str
    at_ns: int = 0
    for_ns: int | None = None
    size: float | None = None
    ramp_ns: int = 0

    @property
    def end_ns(self) -> float:
        """When it goes; infinity when it stays."""
        return inf if self.for_ns is None else self.at_ns + self.for_ns

    def is_active(self, now_ns: int) -> bool:
        """True from its start until before its end."""
        return self.at_ns <= now_ns < self.end_ns


def fitted(fault: Fault, port: Input) -> Fault:
    """The fault with its size, checked; raises SoftctlError for one that does not fit."""
    if fault.size is None and port.fault_size is not None:
        fault = replace(fault, size=port.fault_size)
    _check(fault, port)
    return fault


def _check(fault: Fault, port: Input) -> None:
    if fault.at_ns < 0 or fault.ramp_ns < 0 or (fault.for_ns is not None and fault.for_ns <= 0):
        raise SoftctlError(f"expected a fault with times from 0 s on, got {fault}")
    if port.fault_value is not None:
        if fault.size is not None or fault.ramp_ns:
            raise SoftctlError(f"expected no size or ramp for {fault.name}, got {fault}")
        return
    low = -inf if port.low is None else port.low
    high = inf if port.high is None else port.high
    if fault.size is None or not low <= fault.size <= high:
        unit = "" if port.unit in (None, "1") else f" {port.unit}"
        raise SoftctlError(
            f"expected a size of {low:g} to {high:g}{unit} for {fault.name}, got {fault.size}"
        )


@dataclass(slots=True)
class _Target:
    """One input with the faults that were put on it; `healthy` is its value without any."""

    terminal: str
    port: Input
    healthy: bool | float
    faults: list[Fault] = field(default_factory=list)
    shown: bool | float = False

    def value(self, now_ns: int) -> bool | float:
        """What the latest of the active faults makes of it."""
        for fault in reversed(self.faults):
            if fault.is_active(now_ns):
                return self._broken(fault, now_ns)
        return self.healthy

    def _broken(self, fault: Fault, now_ns: int) -> bool | float:
        if self.port.fault_value is not None:
            return self.port.fault_value
        assert fault.size is not None, "checked when it was injected"
        if now_ns - fault.at_ns >= fault.ramp_ns:
            return fault.size
        part = (now_ns - fault.at_ns) / fault.ramp_ns
        return self.healthy + part * (fault.size - self.healthy)

    def due_ns(self, now_ns: int) -> float:
        """The first time after now at which its value may change."""
        times: list[float] = []
        for fault in self.faults:
            is_ramping = fault.at_ns <= now_ns < fault.at_ns + fault.ramp_ns
            if is_ramping and now_ns < fault.end_ns:
                times.append(now_ns + 1)
            times += [fault.at_ns, fault.end_ns]
        return min((time for time in times if time > now_ns), default=inf)


class FaultBook:
    """All faults of a plant, written to its blocks as they come and go.

    `due_ns` is when `apply` is wanted next.
    """

    def __init__(self, write: Write) -> None:
        self.due_ns: float = inf
        self._write = write
        self._targets: dict[str, _Target] = {}

    def add(self, fault: Fault, terminal: str, port: Input, healthy: bool | float) -> None:
        """Put a checked fault on the input that it acts through."""
        key = terminal.lower()
        target = self._targets.get(key)
        if target is None:
            target = self._targets[key] = _Target(terminal, port, healthy, shown=healthy)
        target.faults.append(fault)
        self.due_ns = min(self.due_ns, fault.at_ns)

    def apply(self, now_ns: int) -> None:
        """Bring every input to what its faults make of it now."""
        for target in self._targets.values():
            value = target.value(now_ns)
            if value != target.shown:
                target.shown = value
                self._write(target.terminal, value)
        self.due_ns = min((t.due_ns(now_ns) for t in self._targets.values()), default=inf)

    def active(self, now_ns: int) -> list[Fault]:
        """The faults that act now, in the order of their injection to each input."""
        targets = self._targets.values()
        return [fault for one in targets for fault in one.faults if fault.is_active(now_ns)]

    def mend(self, terminals: Iterable[str], now_ns: int) -> None:
        """Take the faults of some inputs away, and put those back to their healthy values."""
        for terminal in terminals:
            target = self._targets.get(terminal.lower())
            if target is not None:
                target.faults.clear()
        self.apply(now_ns)

    def clear(self, now_ns: int) -> None:
        """Take every fault away, and put the inputs back to their healthy values."""
        for target in self._targets.values():
            target.faults.clear()
        self.apply(now_ns)
        self._targets.clear()

    def copy(self) -> list[tuple[str, Input, bool | float, bool | float, tuple[Fault, ...]]]:
        """The book's content, for `restore`."""
        return [
            (one.terminal, one.port, one.healthy, one.shown, tuple(one.faults))
            for one in self._targets.values()
        ]

    def restore(
        self, content: list[tuple[str, Input, bool | float, bool | float, tuple[Fault, ...]]]
    ) -> None:
        """Go back to a copied content; the blocks' own values are restored elsewhere."""
        self._targets = {
            terminal.lower(): _Target(terminal, port, healthy, list(faults), shown)
            for terminal, port, healthy, shown, faults in content
        }
        # The next step looks what is due.
        self.due_ns = -inf if content else inf
