"""What of a trial can be seen from outside: over the HMI map, and in a simulated field.

A live trial has no look into the controller. A variable of a program is seen where a point
shows it; a step is active when the point of its chart says so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from softctl.machine import Machine, Point, Role
from softctl.plant import Plant
from softctl.trial import model
from softctl.trial.model import Trial
from softctl.trial.names import Names, Origin
from softctl.trial.play import Flags

PointReader = Callable[[list[Point]], Callable[[], tuple[Any, ...]]]
Charts = Sequence[tuple[str, Sequence[str]]]

PROGRAM_FAULT = "PROGRAM_FAULT"


def why_not_visible(trial: Trial, names: Names, wanted: Sequence[str], speed: float) -> str:
    """Why a trial cannot be run live, or nothing."""
    machine = names.machine
    for name in wanted:
        if names.origins[name] is not Origin.PLANT and _shown_as(machine, names, name) is None:
            return f"{name} is not on the HMI map"
    for row in trial.rows:
        if isinstance(row, model.Sequence):
            if step_point(machine, row.chart) is None:
                return f"the steps of {row.chart} are not on the HMI map (role: step)"
            if any(len(group) > 1 for group in row.groups):
                return "the HMI map shows one active step of a chart at a time"
        if isinstance(row, model.Wire) and speed != 1.0:
            # Communication time-outs are wall time.
            return "a trial that cuts the wire is run live at speed 1 only"
    return ""


def live_reader(
    names: Names, charts: Charts, wanted: Sequence[str], read_points: PointReader, plant: Plant
) -> Callable[[], tuple[Any, ...]]:
    """A function that reads the wanted variables, those of the plant from the field itself."""
    machine = names.machine
    terminals = [name for name in wanted if names.origins[name] is Origin.PLANT]
    others = [name for name in wanted if names.origins[name] is not Origin.PLANT]
    shown = [_shown_as(machine, names, name) for name in others]
    points = [found[0] for found in shown if found is not None]
    numbers = [found[1] for found in shown if found is not None]
    step_numbers = [
        None if step is None else _step_number(charts, point, step)
        for point, step in zip(points, numbers, strict=True)
    ]
    from_hmi = read_points(points)
    from_plant = plant.reader(terminals)
    order = {name: place for place, name in enumerate([*others, *terminals])}
    places = [order[name] for name in wanted]

    def read() -> tuple[Any, ...]:
        seen = [
            value if number is None else value == number
            for value, number in zip(from_hmi(), step_numbers, strict=True)
        ]
        values = [*seen, *from_plant()]
        return tuple([values[place] for place in places])

    return read


def live_flags(machine: Machine, charts: Charts, read_points: PointReader) -> Callable[[], Flags]:
    """A function that reads which steps are active, as the points of the charts show it."""
    points = [step_point(machine, chart) for chart, _ in charts]
    read = read_points([point for point in points if point is not None])

    def flags() -> Flags:
        numbers = iter(read())
        return tuple(
            tuple(False for _ in steps) if point is None else _only(next(numbers), len(steps))
            for point, (_, steps) in zip(points, charts, strict=True)
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
        return (point, None) if point.hmi is not None else None
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
