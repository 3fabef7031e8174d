"""What of a program, its points and its alarms the trials have touched."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from softctl.alarms import AlarmChange, Event
from softctl.control import Happening
from softctl.errors import Place, Problem
from softctl.logic import (
    Application,
    Condition,
    ConditionReader,
    Evaluator,
    Instance,
    Source,
    Type,
    find_as,
)
from softctl.machine import Machine, Point, Role
from softctl.trial.bench import VirtualBench
from softctl.trial.marks import Gate, Marker

KINDS = ("step", "transition", "action", "branch", "interlock", "point", "alarm")
_TWO_WAY = (Role.INPUT, Role.OUTPUT, Role.COMMAND, Role.STATE, Role.SETPOINT)


@dataclass(frozen=True, slots=True)
class Touch:
    """One thing that trials can touch, and whether they have.

    An interlock is touched when it alone refused; a point when it was TRUE and was FALSE.
    """

    kind: str
    text: str
    place: Place
    is_touched: bool


@dataclass(frozen=True, slots=True)
class Coverage:
    """Everything that trials can touch."""

    touches: tuple[Touch, ...]

    def counts(self) -> list[tuple[str, int, int]]:
        """(kind, touched, all) of each kind that there is."""
        total = Counter(touch.kind for touch in self.touches)
        touched = Counter(touch.kind for touch in self.touches if touch.is_touched)
        return [(kind, touched[kind], total[kind]) for kind in KINDS if total[kind]]

    def untouched(self) -> list[Touch]:
        """What no trial has touched, by kind and place."""
        found = [touch for touch in self.touches if not touch.is_touched]
        return sorted(
            found, key=lambda t: (KINDS.index(t.kind), t.place.file, t.place.line, t.place.column)
        )

    def is_touched(self, kind: str, place: Place) -> bool:
        """Whether the thing of a kind at a place was touched."""
        return any(t.is_touched for t in self.touches if t.kind == kind and t.place == place)


@dataclass(slots=True)
class Tracker:
    """Collects over many benches what was touched."""

    machine: Machine
    application: Application
    marker: Marker
    _steps: dict[tuple[str, str], Place] = field(default_factory=dict)
    _entered: set[tuple[str, str]] = field(default_factory=set)
    _marked: set[str] = field(default_factory=set)
    _refused: set[tuple[int, int]] = field(default_factory=set)
    _high: set[str] = field(default_factory=set)
    _low: set[str] = field(default_factory=set)
    _raised: set[str] = field(default_factory=set)
    _gates: _Gates | None = None

    def __post_init__(self) -> None:
        for chart in self.application.charts:
            for step in chart.steps:
                self._steps[chart.program, step.name] = step.place
        self._gates = _Gates(self.application, self.marker.gates)

    def follow(self, bench: VirtualBench) -> Callable[[], None]:
        """A function to call after every scan of a bench."""
        instance = bench.controller.instance
        steps = list(self._steps)
        read_steps = instance.reader([f"{chart}.{step}.X" for chart, step in steps])
        points = _two_way(self.machine)
        read_points = instance.reader([p.source or p.name for p in points])
        assert self._gates is not None
        look_at_gates = self._gates.follow(instance, self._refused)
        last: list[Any] = [None, None]

        def after_scan() -> None:
            now, values = read_steps(), read_points()
            if now != last[0]:
                last[0] = now
                self._entered.update(
                    k for k, is_active in zip(steps, now, strict=True) if is_active
                )
            if values != last[1]:
                last[1] = values
                for point, value in zip(points, values, strict=True):
                    (self._high if value else self._low).add(point.name)
            look_at_gates()

        return after_scan

    def take(self, bench: VirtualBench) -> None:
        """Take in the marks of a bench that has ended."""
        names = [mark.name for mark in self.marker.marks]
        values = bench.controller.instance.reader(names)()
        self._marked.update(name for name, seen in zip(names, values, strict=True) if seen)

    def hear(self, happening: Happening) -> None:
        """Note an alarm that was raised."""
        if isinstance(happening, AlarmChange) and happening.event is Event.RAISE:
            self._raised.add(happening.name)

    def coverage(self) -> Coverage:
        """What was touched so far."""
        return Coverage(tuple(self._touches()))

    def _touches(self) -> Iterable[Touch]:
        for (chart, step), place in self._steps.items():
            yield Touch("step", f"{chart}.{step}", place, (chart, step) in self._entered)
        for mark in self.marker.marks:
            yield Touch(mark.kind, mark.text, mark.place, mark.name in self._marked)
        for number, gate in enumerate(self.marker.gates):
            for term, (text, where) in enumerate(gate.terms):
                if len(gate.terms) > 1:
                    words = f"{text}, alone refusing {gate.text}"
                    yield Touch("interlock", words, where, (number, term) in self._refused)
        for point in _two_way(self.machine):
            is_both = point.name in self._high and point.name in self._low
            yield Touch("point", f"{point.name}, TRUE and FALSE", point.place, is_both)
        for name in self.machine.alarms:
            yield Touch("alarm", name, self.machine.points[name].place, name in self._raised)


def _two_way(machine: Machine) -> list[Point]:
    """The BOOL points that trials should see in both directions."""
    return [
        point
        for point in machine.points.values()
        if point.role in _TWO_WAY and point.type.name == "BOOL"
    ]


class _Gates:
    """Terms of the program's conditions, looked at one by one beside the program."""

    def __init__(self, application: Application, gates: Sequence[Gate]) -> None:
        self._gates = gates
        self._instance = application.instantiate()
        self._program = ""
        reader = ConditionReader(application, self._find)
        self._terms = [self._read(reader, gate) for gate in gates]
        known = [c for terms in self._terms for c in terms or ()]
        self._reader, self._known = reader, known

    def follow(self, instance: Instance, refused: set[tuple[int, int]]) -> Callable[[], None]:
        """A function that adds (gate, term) of terms that alone are FALSE."""
        evaluator: Evaluator = self._reader.compile(self._known)
        read = instance.reader(evaluator.names)
        looks = []
        for number, (gate, terms) in enumerate(zip(self._gates, self._terms, strict=True)):
            if terms is not None and len(terms) > 1:
                steps = instance.reader([f"{gate.program}.{step}.X" for step in gate.steps])
                looks.append((number, steps, [evaluator.test(term) for term in terms]))
        last: list[Any] = [None]

        def look() -> None:
            values = read()
            if values == last[0]:
                return
            last[0] = values
            evaluator.load(values)
            for number, steps, tests in looks:
                if all(steps()):
                    place = _only_false(tests)
                    if place is not None:
                        refused.add((number, place))

        return look

    def _read(self, reader: ConditionReader, gate: Gate) -> list[Condition] | None:
        """The terms as conditions, or None where one is no BOOL or cannot stand alone."""
        self._program = gate.program
        problems: list[Problem] = []
        terms = [reader.read(Source(gate.place.file, text), problems) for text, _ in gate.terms]
        return None if problems else terms

    def _find(self, path: str) -> tuple[str, Type]:
        return find_as(self._instance, self._program, path)


def _only_false(tests: Sequence[Callable[[], bool]]) -> int | None:
    """The place of the one test that is false, None if there are none or several."""
    found = None
    for place, test in enumerate(tests):
        if not test():
            if found is not None:
                return None
            found = place
    return found
