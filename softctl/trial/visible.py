"""What of a trial can be seen and done by somebody who does not own both parties.

With our own controller everything in it is seen, and with our own field everything in the
plant. Of somebody else's controller there is its HMI map, and of a field what its cards say.
A trial is fitted to that: a row that cannot be carried out is told as not run, with why.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from softctl.errors import Problem
from softctl.logic import Condition, Source
from softctl.machine import Machine, Point, Role, WatchedGuard
from softctl.plant import Plant
from softctl.trial import model
from softctl.trial.model import AnyRow, Trial, row_conditions
from softctl.trial.names import Names, Origin
from softctl.trial.parse import GUARDS, TrialFile
from softctl.trial.play import Flags

PointReader = Callable[[list[Point]], Callable[[], tuple[Any, ...]]]
Charts = Sequence[tuple[str, Sequence[str]]]

PROGRAM_FAULT = "PROGRAM_FAULT"


@dataclass(frozen=True, slots=True)
class View:
    """What is seen of a machine, and can be done to it.

    `is_inside` says that the controller is ours, `has_plant` that the field is. `hmi` are the
    points that somebody else's controller serves and `cards` those seen at the field's cards;
    they count only where `is_inside` is not set. `why_no_cut` says why the wire cannot be cut.
    `grace_ns` is how far apart what is seen in one sample may be.
    """

    is_inside: bool
    has_plant: bool
    hmi: frozenset[str] = frozenset()
    cards: frozenset[str] = frozenset()
    why_no_cut: str = ""
    grace_ns: int = 0

    def unseen(self, names: Names, name: str) -> str:
        """Why a variable of a condition is not seen, or nothing."""
        if names.origins[name] is Origin.PLANT:
            return "" if self.has_plant else f"{name} is inside a field that is not ours"
        if self.is_inside:
            return ""
        shown = _shown_as(names.machine, names, name)
        if shown is None:
            return f"{name} is inside a controller that is not ours"
        return self._unserved(shown[0])

    def unseen_steps(self, machine: Machine, row: model.Sequence) -> str:
        """Why the steps of a sequence are not seen, or nothing."""
        if self.is_inside:
            return ""
        point = step_point(machine, row.chart)
        if point is None:
            return f"the steps of {row.chart} are not on the HMI map (role: step)"
        if any(len(group) > 1 for group in row.groups):
            return "the HMI map shows one active step of a chart at a time"
        return self._unserved(point)

    def unable(self, row: model.Action) -> str:
        """Why a deed cannot be done, or nothing."""
        match row:
            case model.Write():
                return self._unwritten(row.values)
            case model.Break() | model.Mend():
                what = row.fault.equipment if isinstance(row, model.Break) else row.equipment
                return "" if self.has_plant else f"{what} is in a field that is not ours"
            case model.Force() | model.Release():
                return "" if self.is_inside else "a controller that is not ours is not forced"
            case model.Wire():
                return self.why_no_cut

    def ungiven(self, trial: Trial) -> str:
        """Why what a trial begins with cannot be given, or nothing."""
        if trial.equipment and not self.has_plant:
            name, keys = next(iter(trial.equipment.items()))
            return f"{name}.{next(iter(keys))} cannot be given to a field that is not ours"
        return self._unwritten(trial.settings)

    def _unwritten(self, names: Iterable[str]) -> str:
        missing = [] if self.is_inside else [name for name in names if name not in self.hmi]
        return f"no HMI map has {', '.join(missing)} to be written" if missing else ""

    def _unserved(self, point: Point) -> str:
        if point.name in self.hmi or point.name in self.cards:
            return ""
        return f"{point.name} is neither on an HMI map that is served nor at the cards"


def fit(trial: Trial, file: TrialFile, view: View) -> tuple[Trial, str]:
    """The trial as it can be run, and why it cannot be run at all, or nothing.

    Expectations that take no time are left out where they are not seen, and the rest is run.
    Without another row, what comes behind it would be judged at the wrong time.
    """
    why = view.ungiven(trial)
    rows: list[AnyRow] = []
    for row in trial.rows if not why else ():
        if is_guards(row) and not view.is_inside:
            rows += _guard_rows(row, file, view)
            continue
        trouble = _trouble(row, file.names, view)
        if trouble and not _takes_no_time(row):
            return trial, trouble
        rows.append(_left_out(row, trouble) if trouble else _granted(row, file.names, view))
    return replace(trial, rows=tuple(rows)), why


def is_guards(row: AnyRow) -> bool:
    """Whether a row is the watch of the controller's own count of broken guards."""
    return isinstance(row, model.Watch) and row.condition.names == (GUARDS,)


def _trouble(row: AnyRow, names: Names, view: View) -> str:
    if isinstance(row, model.Action):
        return view.unable(row)
    if isinstance(row, model.Sequence):
        return view.unseen_steps(names.machine, row)
    found = (
        view.unseen(names, name) for condition in row_conditions(row) for name in condition.names
    )
    return next((why for why in found if why), "")


def _takes_no_time(row: AnyRow) -> bool:
    if isinstance(row, model.Expect):
        return not row.within_ns and not row.for_ns
    return isinstance(row, model.Watch) and row.for_ns is None


def _left_out(row: AnyRow, why: str) -> model.LeftOut:
    assert isinstance(row, model.Expect | model.Watch)
    return model.LeftOut(row=row, why=why, place=row.place, text=row.text)


def _guard_rows(row: AnyRow, file: TrialFile, view: View) -> Iterator[AnyRow]:
    """The machine's guards one by one, as they are seen from outside."""
    for guard in file.names.machine.guards.values():
        condition = _guard_condition(guard, file)
        text = f"Guard {guard.name}: {guard.text}"
        watch = model.Watch(
            condition=condition, wanted=False, place=row.place, text=text, grace_ns=guard.within_ns
        )
        why = _trouble(watch, file.names, view)
        yield _left_out(watch, why) if why else _granted(watch, file.names, view)


def _guard_condition(guard: WatchedGuard, file: TrialFile) -> Condition:
    text = f"({guard.condition.value})"
    if guard.expected is not None:
        text += f" AND NOT ({guard.expected.value})"
    problems: list[Problem] = []
    condition = file.conditions.read(Source(file.file, text), problems)
    assert condition is not None, problems
    return condition


def _granted(row: AnyRow, names: Names, view: View) -> AnyRow:
    """A watch with the time that what it compares may be apart, if it compares such."""
    if view.is_inside or not isinstance(row, model.Watch):
        return row
    kinds = {_kind(names, name) for name in row.condition.names}
    return row if len(kinds) < 2 else replace(row, grace_ns=row.grace_ns + view.grace_ns)


def _kind(names: Names, name: str) -> str:
    """What is seen in one moment: outputs, inputs, the HMI map, the plant."""
    point = names.machine.points.get(name)
    if point is not None and point.role in (Role.INPUT, Role.OUTPUT):
        return str(point.role.value)
    return "plant" if names.origins[name] is Origin.PLANT else "map"


# Reading


def outside_reader(
    names: Names,
    charts: Charts,
    wanted: Sequence[str],
    view: View,
    read_hmi: PointReader,
    read_cards: PointReader,
    plant: Plant,
) -> Callable[[], tuple[Any, ...]]:
    """A function that reads wanted variables that are seen: at the cards, else on the HMI map."""
    sources: tuple[list[Point], list[Point]] = [], []
    terminals: list[str] = []
    where: list[tuple[int, int, int | None]] = []
    for name in wanted:
        if names.origins[name] is Origin.PLANT:
            where.append((2, len(terminals), None))
            terminals.append(name)
            continue
        shown = _shown_as(names.machine, names, name)
        assert shown is not None, f"{name} is not seen"
        point, step = shown
        source = 0 if point.name in view.cards else 1
        # Several steps of a chart are one point.
        if point not in sources[source]:
            sources[source].append(point)
        number = None if step is None else _step_number(charts, point, step)
        where.append((source, sources[source].index(point), number))
    readers = (read_cards(sources[0]), read_hmi(sources[1]), plant.reader(terminals))

    def read() -> tuple[Any, ...]:
        found = [one() for one in readers]
        return tuple(
            [
                found[source][place] if number is None else found[source][place] == number
                for source, place, number in where
            ]
        )

    return read


def outside_flags(
    machine: Machine, charts: Charts, view: View, read_hmi: PointReader
) -> Callable[[], Flags]:
    """A function that reads which steps are active, as the points of the charts show it."""
    points = [step_point(machine, chart) for chart, _ in charts]
    shown = [point if point is not None and point.name in view.hmi else None for point in points]
    read = read_hmi([point for point in shown if point is not None])

    def flags() -> Flags:
        numbers = iter(read())
        return tuple(
            tuple(False for _ in steps) if point is None else _only(next(numbers), len(steps))
            for point, (_, steps) in zip(shown, charts, strict=True)
        )

    return flags


def step_point(machine: Machine, chart: str) -> Point | None:
    """The point on the HMI map that shows the active step of a chart."""
    for point in machine.points.values():
        if point.role is Role.STEP and point.hmi and point.chart.upper() == chart.upper():
            return point
    return None


def _only(number: int, count: int) -> tuple[bool, ...]:
    return tuple(place == number for place in range(count))


def _shown_as(machine: Machine, names: Names, name: str) -> tuple[Point, str | None] | None:
    """The point that shows a variable, and the step it has to show where it is one."""
    if names.origins[name] is Origin.POINT:
        point = machine.points[name]
        return (point, None) if point.hmi or point.field else None
    chart, _, rest = name.partition(".")
    found = step_point(machine, chart)
    if found is not None and rest.upper().endswith(".X"):
        return found, rest[:-2]
    for point in machine.points.values():
        if point.source and point.source.upper() == name.upper() and point.hmi is not None:
            return point, None
    return None


def _step_number(charts: Charts, point: Point, step: str) -> int:
    steps = next(steps for chart, steps in charts if chart.upper() == point.chart.upper())
    return [name.upper() for name in steps].index(step.upper())
