"""Every state that a small program can come to, whatever its inputs do: a proof, if it ends.

States are found breadth first from a cold start: each is scanned with every combination of
the inputs. Time stands still, and the inputs' last values are left out of a state: that is
sound only for a program that looks at no time, and because every scan is given all inputs
anew.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Any

from softctl.machine import Role, Value
from softctl.trial.explore import Breach, Change, Discovery, Explorer, Monitor
from softctl.values.types import Kind

MOST_INPUTS = 6
_MOST_STATES = 100_000


@dataclass(frozen=True, slots=True)
class Searched:
    """What a search found: `is_closed` says that there are no other states than these."""

    scans: int
    states: int
    is_closed: bool
    discoveries: tuple[Discovery, ...]


def why_not(explorer: Explorer) -> str:
    """Why a search of all states would prove nothing for this machine, or nothing."""
    wide = [one.name for one in explorer.inputs if one.kind is not Kind.BOOL]
    if wide:
        return f"{wide[0]} is an input with more values than TRUE and FALSE"
    if len(explorer.inputs) > MOST_INPUTS:
        return f"it has {len(explorer.inputs)} inputs, and {MOST_INPUTS} are the most"
    if explorer.left_out:
        return f"{explorer.left_out[0].name} is left out"
    if explorer.instance.depends_on_time:
        return "the programs depend on time (timers, times of steps or actions, tasks)"
    names = [name.upper() for name in Monitor(explorer, explorer.guards).names]
    if any(name.endswith(".T") or "__" in name for name in names):
        return "a guard depends on the time of a step"
    timed = [guard.name for guard in explorer.guards if guard.within_ns]
    if timed:
        return f"the guard {timed[0]} has a time"
    points = explorer.machine.points.values()
    outside = [p.name for p in points if p.role in (Role.SYSTEM, Role.ALARM)]
    used = set(outside) - explorer.instance.unused(outside)
    if used:
        return f"the programs use {min(used)}, which the controller gives"
    return ""


class Search:
    """A breadth-first search; only for an explorer of which `why_not` says nothing."""

    def __init__(self, explorer: Explorer) -> None:
        self._explorer = explorer
        self._combinations = list(product((False, True), repeat=len(explorer.inputs)))
        self._states: list[Any] = [explorer.new.state]
        self._origins: list[tuple[int, tuple[bool, ...]]] = [(-1, ())]
        self._numbers: dict[str, int] = {}
        """The states but the first one: before the first scan is another thing than after it."""
        self._found: dict[str, Discovery] = {}
        self._scans = 0
        self._watch()

    def run(self, most_scans: int) -> Searched:
        """Search until nothing is new, unless that takes more scans, or too many states."""
        number = 0
        while number < len(self._states) <= _MOST_STATES:
            if self._scans + len(self._combinations) > most_scans:
                break
            self._expand(number)
            number += 1
        is_closed = number == len(self._states)
        found = tuple(self._found.values())
        return Searched(self._scans, len(self._numbers), is_closed, found)

    def _watch(self) -> None:
        """Look at the guards that have not been broken yet, each by itself."""
        open_ = [guard for guard in self._explorer.guards if guard.name not in self._found]
        self._monitor = Monitor(self._explorer, open_)

    def _expand(self, number: int) -> None:
        explorer = self._explorer
        for combination in self._combinations:
            breach = self._scan(number, combination)
            while breach is not None and breach.guard is not None:
                self._note(breach, number, combination)
                breach = self._scan(number, combination)  # the others are looked at as well
            if breach is not None:
                self._note(breach, number, combination)
                continue
            explorer.write(explorer.start)
            if number == 0:
                explorer.go_fail_safe()  # a controller's first scan has no healthy link yet
            self._keep(number, combination)

    def _keep(self, number: int, combination: tuple[bool, ...]) -> None:
        """Note the state that the instance is in, if it is new."""
        state = self._explorer.instance.snapshot()
        # Equal values can differ, such as 0.0 and -0.0; their texts do as well.
        if self._numbers.setdefault(repr(state), len(self._states)) == len(self._states):
            self._states.append(state)
            self._origins.append((number, combination))

    def _scan(self, number: int, combination: tuple[bool, ...]) -> Breach | None:
        """One scan, at time 0 like the cold start and all the others."""
        self._explorer.instance.restore(self._states[number])
        self._explorer.write(combination)
        self._monitor.reset()
        self._scans += 1
        return self._monitor.scan(-1, 0)

    def _note(self, breach: Breach, number: int, combination: tuple[bool, ...]) -> None:
        if breach.key in self._found:
            return
        path = [*self._path(number), combination]
        here = Breach(breach.key, breach.text, len(path) - 1, breach.guard)
        # Playing it scans from the start, and does not need the state that is searched from.
        self._found[breach.key] = self._explorer.discover(
            here, list(self._changes(path)), self._explorer.new
        )
        self._watch()

    def _path(self, number: int) -> list[tuple[bool, ...]]:
        path: list[tuple[bool, ...]] = []
        while number > 0:
            number, combination = self._origins[number]
            path.append(combination)
        return path[::-1]

    def _changes(self, path: list[tuple[bool, ...]]) -> Iterator[Change]:
        """A path as the changes of its inputs; a momentary command falls by itself."""
        inputs = self._explorer.inputs
        values: list[Value] = list(self._explorer.start)
        for scan, combination in enumerate(path):
            for place, value in enumerate(combination):
                if value != values[place]:
                    yield Change(scan, inputs[place].name, value)
                values[place] = value and not inputs[place].is_momentary
