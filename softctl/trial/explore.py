"""Random walks through a program's inputs, without a plant, against the machine's guards.

A walk starts the program cold on a healthy field link, or where an earlier one came to a new
situation, and changes inputs now and then; in between they stay as they are, so that
combinations last. Each walk gives each input its own
weight and its own bias towards TRUE: changes that came like coin flips would keep a program
near its beginning. What breaks is shrunk to the shortest list of changes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from random import Random
from typing import Any

from softctl.control.guards import GuardClock, breaches
from softctl.errors import Problem, ProblemsError
from softctl.logic import Application, ConditionReader, LogicFault, Source
from softctl.machine import Machine, Role, Scalar, Value, WatchedGuard
from softctl.trial.input_values import Input, explored_inputs
from softctl.trial.names import Names, Origin
from softctl.trial.shrinking import smallest
from softctl.values.types import Kind

CHANGE = 0.05
"""The chance that something changes before a scan."""

WALK_SCANS = 2_000
"""How many scans a walk has before another one begins."""

_DEEPEST = 20_000
_MOST_LEADS = 1_000
"""No walk begins behind that scan, and there are not more places to begin at than those."""

_COLD = 0.25
"""The chance that a walk begins cold whatever has been found."""

_ALSO = 0.25
"""The chance that another input changes in the same scan."""

_RAREST = 0.01
"""How much rarer than another an input may change in a walk."""


@dataclass(frozen=True, slots=True)
class Change:
    """An input that has another value from a scan on; scans count from 0."""

    scan: int
    name: str
    value: Value


@dataclass(frozen=True, slots=True)
class Lead:
    """Where a walk can go on: the state before a scan, the inputs, the changes that led there."""

    scan: int
    state: Any
    values: tuple[Value, ...]
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Breach:
    """A guard that broke, or a program that failed, in a scan; `key` tells them apart."""

    key: str
    text: str
    scan: int
    guard: WatchedGuard | None


@dataclass(frozen=True, slots=True)
class Discovery:
    """The shortest list of changes that was found for a breach."""

    breach: Breach
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A guard or an input that is not explored, and why."""

    name: str
    why: str


@dataclass(frozen=True, slots=True)
class Walked:
    """What random walks found: how many scans they took, without those for shrinking."""

    scans: int
    walks: int
    discoveries: tuple[Discovery, ...]


class Explorer:
    """A machine's programs, ready to be scanned with any inputs.

    `rest` has the values of inputs with which walks begin, where they are not a point's
    initial ones. `guards` become those that can be looked at here. Raises ProblemsError for a
    condition that has errors.
    """

    def __init__(
        self,
        machine: Machine,
        application: Application,
        names: Names,
        guards: Sequence[WatchedGuard],
        rest: Mapping[str, Value] | None = None,
    ) -> None:
        self.machine = machine
        self.application = application
        self.names = names
        self.instance = application.instantiate()
        inputs, strange = explored_inputs(machine, [g.condition for g in guards])
        self.left_out = [LeftOut(name, "its type is not explored") for name in strange]
        self.guards = [guard for guard in guards if self._is_seen(guard)]
        seen = Monitor(self, self.guards).names
        unused = self.instance.unused([one.name for one in inputs]) - set(seen)
        values = rest or {}
        self.inputs = [
            replace(one, initial=values.get(one.name, one.initial))
            for one in inputs
            if one.name not in unused
        ]
        self._places = {one.name: place for place, one in enumerate(self.inputs)}
        self._momentary = [place for place, one in enumerate(self.inputs) if one.is_momentary]
        self.start = [one.initial for one in self.inputs]
        self.write = self.instance.writer([one.name for one in self.inputs])
        outputs = [p for p in machine.points.values() if p.role is Role.OUTPUT]
        self._set_outputs = self.instance.writer([point.name for point in outputs])
        self._safe = [point.safe_value for point in outputs]
        self.new = self._lead()
        self.beginning = self._after_first_scan()

    def go_fail_safe(self) -> None:
        """What becomes of the outputs after a scan without a field link."""
        self._set_outputs(self._safe)

    def play(
        self,
        changes: Sequence[Change],
        end: int,
        monitor: Monitor,
        lead: Lead | None = None,
        on_pause: Callable[[int, Sequence[Value]], None] | None = None,
    ) -> Breach | None:
        """Scan with these changes, which are in order, to before a scan or until a breach.

        Begins after the controller's first scan, or at a lead; the lead `new` is before that
        scan. `on_pause` is called before each scan that brings a change, with its number and
        the inputs until then.
        """
        lead = lead or self.beginning
        self.instance.restore(lead.state)
        monitor.reset()
        values, places, momentary = list(lead.values), self._places, self._momentary
        scan, number, count = lead.scan, 0, len(changes)
        while scan < end:
            while number < count and changes[number].scan <= scan:
                values[places[changes[number].name]] = changes[number].value
                number += 1
            self.write(values)
            is_given = any(values[place] for place in momentary)
            until = min(changes[number].scan, end) if number < count else end
            is_first = lead is self.new and scan == 0
            until = scan + 1 if is_given or is_first else until
            breach = monitor.scan(scan, until)
            if breach is not None:
                return breach
            scan = until
            if is_first:
                self.go_fail_safe()
            if is_given:
                for place in momentary:
                    values[place] = False
            if on_pause is not None:
                on_pause(scan, values)
        return None

    def draw(self, dice: Random, first: int, end: int) -> list[Change]:
        """The changes of a walk; from a cold start some of its inputs begin otherwise."""
        inputs = self.inputs
        if not inputs:
            return []
        bias = [_bias(dice, one) for one in inputs]
        rest = dice.random()
        weights = [_RAREST ** dice.random() for _ in inputs]
        order = range(len(inputs))
        changes = [
            Change(0, one.name, one.draw(dice, b))
            for one, b in zip(inputs, bias, strict=True)
            if not one.is_momentary and first == 0 and dice.random() >= rest
        ]
        scan = first
        while True:
            if dice.random() >= _ALSO:
                scan += 1 + int(dice.expovariate(CHANGE))
            if scan >= end:
                return changes
            (place,) = dice.choices(order, weights)
            changes.append(Change(scan, inputs[place].name, inputs[place].draw(dice, bias[place])))

    def discover(
        self, breach: Breach, changes: Sequence[Change], lead: Lead | None = None
    ) -> Discovery:
        """The shortest list of changes that breaks the same, and when it does."""
        monitor = Monitor(self, [breach.guard] if breach.guard is not None else [])
        limit = breach.scan + 1

        def fails(some: Sequence[Change]) -> bool:
            found = self.play(some, limit, monitor, lead)
            return found is not None and found.key == breach.key

        kept = smallest([one for one in changes if one.scan < limit], fails)
        kept = smallest(_closer(kept, fails), fails)
        last = self.play(kept, limit, monitor, lead)
        assert last is not None
        return Discovery(last, tuple(kept))

    def _lead(self) -> Lead:
        """Where a walk begins: the instance as it is, from now on with a healthy link."""
        self._set_link(True)
        return Lead(0, self.instance.snapshot(), tuple(self.start), ())

    def _after_first_scan(self) -> Lead:
        """The first scan of a controller has the inputs, but no healthy link yet."""
        self.write(self.start)
        self._set_link(False)
        try:
            self.instance.scan(0)
        except LogicFault:
            return self.new  # a walk finds it in its own first scan
        self.go_fail_safe()
        return self._lead()

    def _set_link(self, is_healthy: bool) -> None:
        """The controller's own figures while programs run."""
        known = {"FIELD_LINK": is_healthy, "COMMS_ALARM": not is_healthy, "CONTROL_STATE": 1}
        names = [name for name in known if name in self.machine.points]
        self.instance.writer(names)([known[name] for name in names])

    def _is_seen(self, guard: WatchedGuard) -> bool:
        why = next(
            (why for name in Monitor(self, [guard]).names if (why := self._hidden(name))), ""
        )
        if why:
            self.left_out.append(LeftOut(guard.name, why))
        return not why

    def _hidden(self, name: str) -> str:
        """Why a condition's name has no value here, or nothing."""
        if self.names.origins[name] is Origin.PLANT:
            return f"{name} is of the plant, which is not there"
        point = self.names.point(name)
        if point is not None and point.role in (Role.STEP, Role.ALARM, Role.SYSTEM):
            return f"{name} comes from the controller, not from the programs"
        return ""


def _bias(dice: Random, one: Input) -> float:
    """How often an input is TRUE when it changes: rather as it is at rest."""
    bias = sorted((dice.random(), dice.random()))
    return bias[1] if one.initial else bias[0]


class Monitor:
    """Scans the programs of an explorer and looks at some guards after each scan."""

    def __init__(self, explorer: Explorer, guards: Sequence[WatchedGuard]) -> None:
        self._scan = explorer.instance.scan
        self._period_ns = explorer.machine.scan_ns
        self._guards = list(guards)
        self._pending: list[bool] = []
        reader = ConditionReader(explorer.application, explorer.names.find)
        problems: list[Problem] = []
        pairs = [
            (
                reader.read(_source(g.condition), problems),
                g.expected and reader.read(_source(g.expected), problems),
            )
            for g in guards
        ]
        text = "\nOR ".join(_suspicion(guard) for guard in guards) or "FALSE"
        suspicion = reader.read(Source("guards", text), [] if problems else problems)
        if problems:
            raise ProblemsError(problems)
        parts = [part for pair in pairs for part in pair if part]
        evaluator = reader.compile([suspicion, *parts])
        self.names = evaluator.names
        self._load = evaluator.load
        self._is_suspicious = evaluator.test(suspicion)
        self._tests = [
            (evaluator.test(condition), evaluator.test(answer) if answer else None)
            for condition, answer in pairs
        ]
        shown = [
            _path(explorer.names, name) for name in self.names if _is_here(explorer.names, name)
        ]
        self._read = explorer.instance.reader(shown)
        self.reset()

    def reset(self) -> None:
        """Begin anew: no time of a guard runs."""
        self._clocks = [GuardClock(guard) for guard in self._guards]
        self._pending.clear()

    def scan(self, first: int, end: int) -> Breach | None:
        """Scan from one scan to before another, until something breaks."""
        run, load, read, pending = self._scan, self._load, self._read, self._pending
        is_suspicious, period_ns = self._is_suspicious, self._period_ns
        now_ns = 0
        try:
            if not self._guards:
                for now_ns in range((first + 1) * period_ns, (end + 1) * period_ns, period_ns):
                    run(now_ns)
                return None
            for now_ns in range((first + 1) * period_ns, (end + 1) * period_ns, period_ns):
                run(now_ns)
                load(read())
                if is_suspicious() or pending:
                    broken = self._look(now_ns)
                    if broken is not None:
                        text = broken.text or broken.name
                        return Breach(broken.name, text, now_ns // period_ns - 1, broken)
        except LogicFault as fault:
            text = f"{fault.cause} ({fault.place.file}:{fault.place.line})"
            return Breach(
                f"fault: {text}", f"The program stops: {fault}", now_ns // period_ns - 1, None
            )
        return None

    def _look(self, now_ns: int) -> WatchedGuard | None:
        held = [(condition(), answer is not None and answer()) for condition, answer in self._tests]
        self._pending[:] = [True] * any(condition and not answer for condition, answer in held)
        return next(iter(breaches(self._clocks, held, now_ns)), None)


class Leads:
    """The situations that walks have come to: steps, and outputs and states that are BOOL."""

    def __init__(self, explorer: Explorer) -> None:
        self._explorer = explorer
        points = explorer.machine.points.values()
        shown = [p for p in points if p.role in (Role.OUTPUT, Role.STATE)]
        steps = [(c.program, s.name) for c in explorer.application.charts for s in c.steps]
        self._read = explorer.instance.reader(
            [p.source or p.name for p in shown if p.type.kind is Kind.BOOL]
            + [f"{program}.{step}.X" for program, step in steps]
        )
        self._seen: set[tuple[bool, ...]] = set()
        self._leads = [explorer.beginning]

    def choose(self, dice: Random) -> Lead:
        """One of them, rather a new one, and now and then the cold start."""
        count = len(self._leads)
        place = max(dice.randrange(count), dice.randrange(count))
        return self._leads[0 if dice.random() < _COLD else place]

    def look(
        self, lead: Lead, changes: Sequence[Change], scan: int, values: Sequence[Value]
    ) -> None:
        """Keep where a walk is, if nobody has been in this situation."""
        situation = self._read()
        if situation in self._seen or scan > _DEEPEST or len(self._leads) > _MOST_LEADS:
            return
        self._seen.add(situation)
        path = (*lead.changes, *(one for one in changes if one.scan < scan))
        self._leads.append(Lead(scan, self._explorer.instance.snapshot(), tuple(values), path))


def walk(
    explorer: Explorer, *, seed: int, scans: int, on_walk: Callable[[int], None] = lambda _: None
) -> Walked:
    """Walk at random until so many scans are made, or every guard has been broken.

    Each breach is told once, with the shortest list of changes for it. The same seed walks
    alike. `on_walk` hears after each walk how many scans there were.
    """
    found: dict[str, Discovery] = {}
    open_ = list(explorer.guards)
    monitor, leads = Monitor(explorer, open_), Leads(explorer)
    done = number = 0
    while done < scans and (open_ or not explorer.guards):
        dice = Random(f"{seed} {number}")
        lead = leads.choose(dice)
        end = lead.scan + min(WALK_SCANS, scans - done)
        changes = explorer.draw(dice, lead.scan, end)
        look = partial(leads.look, lead, changes)
        breach = explorer.play(changes, end, monitor, lead, look)
        done += (end if breach is None else breach.scan + 1) - lead.scan
        number += 1
        on_walk(done)
        if breach is None or breach.key in found:
            continue
        found[breach.key] = explorer.discover(breach, [*lead.changes, *changes])
        open_ = [guard for guard in open_ if guard.name not in found]
        monitor = Monitor(explorer, open_)
    return Walked(done, number, tuple(found.values()))


def _closer(changes: list[Change], fails: Callable[[Sequence[Change]], bool]) -> list[Change]:
    """The changes with as little time between them as still fails."""
    for place in range(len(changes)):
        before = changes[place - 1].scan if place else 0
        low, high = 0, changes[place].scan - before
        while low < high:
            middle = (low + high) // 2
            shift = changes[place].scan - before - middle
            moved = [replace(one, scan=one.scan - shift) for one in changes[place:]]
            if fails([*changes[:place], *moved]):
                changes, high = [*changes[:place], *moved], middle
            else:
                low = middle + 1
    return changes


def _suspicion(guard: WatchedGuard) -> str:
    """An expression that is TRUE when the guard breaks now or its time runs."""
    condition = f"(\n{_text(guard.condition)}\n)"
    if guard.expected is None:
        return condition
    return f"({condition} AND NOT (\n{_text(guard.expected)}\n))"


def _text(condition: Scalar) -> str:
    return str(condition.value).strip().rstrip(";")


def _source(condition: Scalar) -> Source:
    """The expression at its place in the file, so that complaints point there."""
    place = condition.place
    return Source(
        place.file, "\n" * (place.line - 1) + " " * (place.column - 1) + str(condition.value)
    )


def _is_here(names: Names, name: str) -> bool:
    """Whether the programs' instance has a variable of this name."""
    point = names.point(name) if names.origins[name] is Origin.POINT else None
    return names.origins[name] is not Origin.PLANT and (
        point is None or point.role is not Role.STEP
    )


def _path(names: Names, name: str) -> str:
    point = names.point(name) if names.origins[name] is Origin.POINT else None
    return name if point is None else point.source or point.name
