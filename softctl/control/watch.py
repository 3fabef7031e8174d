"""What the controller watches in every scan: the conditions of its alarms and guards."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping

from softctl.alarms import AlarmBoard, AlarmChange
from softctl.control.forces import ForceChange
from softctl.control.guards import GuardBreach, GuardClock, TrailRecorder, breaches
from softctl.errors import Problem, SoftctlError
from softctl.logic import (
    Application,
    ConditionReader,
    Instance,
    Source,
    Type,
    UnknownNameError,
)
from softctl.machine import Machine, Point, Role, Scalar
from softctl.values.names import suggest

Test = Callable[[], bool]
Happening = AlarmChange | GuardBreach | ForceChange


def check_watch(machine: Machine, application: Application) -> list[Problem]:
    """Everything wrong with the conditions of alarms and guards."""
    problems: list[Problem] = []
    reader = ConditionReader(application, _Names(machine, application).find)
    for condition in _conditions(machine):
        reader.read(_source(condition), problems)
    return problems


class Watch:
    """The alarm board and the guards of one controller, fed from its instance.

    The machine's conditions must have passed `check_watch`. `happenings` collects what
    happened until somebody takes it.
    """

    def __init__(self, machine: Machine, application: Application, instance: Instance) -> None:
        self._machine = machine
        alarms = machine.alarms.values()
        self.board = AlarmBoard([alarm.rule for alarm in alarms])
        self._alarms = list(self.board.alarms.values())
        self._guards = [GuardClock(guard) for guard in machine.guards.values()]
        self._is_idle = not self._alarms and not self._guards
        self.happenings: deque[Happening] = deque()
        self.guards_broken = 0
        self._trail = TrailRecorder(machine)
        self._truths: tuple[bool, ...] | None = None
        self._is_pending = False
        self.bind(application, instance)

    def bind(self, application: Application, instance: Instance) -> None:
        """Look at this instance from now on; alarms and guards stay as they are."""
        machine = self._machine
        names = _Names(machine, application)
        reader = ConditionReader(application, names.find)
        problems: list[Problem] = []
        read = {
            id(condition): reader.read(_source(condition), problems)
            for condition in _conditions(machine)
        }
        assert not problems, problems
        evaluator = reader.compile(list(read.values()))
        self._load = evaluator.load
        self._read = instance.reader([names.path(name) for name in evaluator.names])
        self._ask = evaluator.tests(list(read.values()))
        self._trail.bind(instance)

        def test(condition: Scalar | None) -> Test | None:
            return None if condition is None else evaluator.test(read[id(condition)])

        alarms = machine.alarms.values()
        self._raised = [evaluator.test(read[id(alarm.raised)]) for alarm in alarms]
        self._stays = [test(alarm.stays) for alarm in alarms]
        self._suppressed = [test(alarm.suppressed) for alarm in alarms]
        self._guarded = [
            (evaluator.test(read[id(guard.condition)]), test(guard.expected))
            for guard in machine.guards.values()
        ]

    def note_given(self) -> None:
        """Say that the next scan has new figures, commands or set points, or forces on some."""
        self._trail.is_given = True

    def scan(self, now_ns: int) -> None:
        """Look at everything once, with the values that the programs left.

        While no condition changes and no time runs there is nothing to follow. What an alarm
        has become does not matter to that: `stays` counts only from `raised` on, and an alarm
        comes and goes only when one of its conditions changed or while its delay runs.
        """
        if self._is_idle:
            return
        if self._guards:
            self._trail.note(now_ns)
        self._load(self._read())
        truths = self._ask()
        if truths is None or truths != self._truths or self._is_pending or self.board.is_timed:
            self._truths = truths
            self._follow(now_ns)

    def _follow(self, now_ns: int) -> None:
        """Let alarms and guards take in their conditions."""
        if self._alarms:
            conditions = [
                raised() or (alarm.is_present and stays is not None and stays())
                for alarm, raised, stays in zip(
                    self._alarms, self._raised, self._stays, strict=True
                )
            ]
            suppressed = [test is not None and test() for test in self._suppressed]
            self.happenings += self.board.scan(now_ns, conditions, suppressed)
        if self._guards:
            held = [
                (condition(), expected is not None and expected())
                for condition, expected in self._guarded
            ]
            for guard in breaches(self._guards, held, now_ns):
                self.guards_broken += 1
                self.happenings.append(
                    GuardBreach(
                        now_ns, guard.name, guard.text, self._trail.names, self._trail.taken()
                    )
                )
            self._is_pending = any(guard.is_pending for guard in self._guards)


def _conditions(machine: Machine) -> Iterator[Scalar]:
    for alarm in machine.alarms.values():
        yield from (c for c in (alarm.raised, alarm.stays, alarm.suppressed) if c is not None)
    for guard in machine.guards.values():
        yield from (c for c in (guard.condition, guard.expected) if c is not None)


def _source(condition: Scalar) -> Source:
    """The expression at its place in the file, so that complaints point there."""
    place = condition.place
    indent = "\n" * (place.line - 1) + " " * (place.column - 1)
    return Source(place.file, f"{indent}{condition.value}")


class _Names:
    """Points first, then variables of programs; a bare step stands for its flag."""

    def __init__(self, machine: Machine, application: Application) -> None:
        self._points: Mapping[str, Point] = {
            point.name.upper(): point
            for point in machine.points.values()
            if point.role is not Role.STEP
        }
        self._steps = {
            f"{chart.program}.{step.name}".upper(): f"{chart.program}.{step.name}.X"
            for chart in application.charts
            for step in chart.steps
        }
        self._programs = application.programs
        self._instance = application.instantiate()

    def find(self, path: str) -> tuple[str, Type]:
        """The variable's own spelling and type; raises UnknownNameError."""
        point = self._points.get(path.upper())
        name = point.name if point is not None else self._steps.get(path.upper(), path)
        try:
            return name, self._instance.type_of(self.path(name))
        except SoftctlError as error:
            raise UnknownNameError(*self._complaint(path, str(error))) from None

    def path(self, name: str) -> str:
        """Where a found variable is read."""
        point = self._points.get(name.upper())
        return name if point is None else point.source or point.name

    def _complaint(self, path: str, found: str) -> tuple[str, str]:
        first = path.partition(".")[0]
        if first.upper() in (program.upper() for program in self._programs):
            message, did, hint = found.partition("did you mean ")
            return message.rstrip("; :"), did + hint
        known = [*(point.name for point in self._points.values()), *self._programs]
        return f"expected a point or a program, got {first}", suggest(first, known)
