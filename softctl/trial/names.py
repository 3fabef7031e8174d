"""What the names in a condition stand for: points, program variables, terminals of the plant."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import Enum
from typing import Any

from softctl.control import Controller, step_names
from softctl.errors import SoftctlError
from softctl.logic import Application, Type, UnknownNameError
from softctl.machine import Machine, Point, Role
from softctl.plant import Plant
from softctl.values.names import suggest

Read = Callable[[], tuple[Any, ...]]


class Origin(Enum):
    """Where a variable lives."""

    POINT = "point"
    PROGRAM = "program variable"
    PLANT = "plant"


class Names:
    """Looks names up: first the points, then program variables, then the plant.

    `origins` fills as names are found; a step of a chart by its bare name stands for its
    active flag.
    """

    def __init__(self, machine: Machine, application: Application, plant: Plant) -> None:
        self.machine = machine
        self.application = application
        self.origins: dict[str, Origin] = {}
        self._plant = plant
        self._instance = application.instantiate()
        self._points = {point.name.upper(): point for point in machine.points.values()}
        self._equipment = {name.upper(): name for name in machine.equipment}
        self._steps = {
            f"{chart.program}.{step.name}".upper(): f"{chart.program}.{step.name}"
            for chart in application.charts
            for step in chart.steps
        }

    def find(self, path: str) -> tuple[str, Type]:
        """The variable's own spelling and its type; raises UnknownNameError."""
        name, type_, origin = self._find(path)
        self.origins[name] = origin
        return name, type_

    def point(self, name: str) -> Point | None:
        """A point by name, upper or lower case alike."""
        return self._points.get(name.upper())

    def known(self) -> list[str]:
        """Every name that a condition can begin with."""
        points = (point.name for point in self._points.values())
        return [*points, *self.application.programs, *self._equipment.values()]

    def _find(self, path: str) -> tuple[str, Type, Origin]:
        first, dot, rest = path.partition(".")
        point = self._points.get(first.upper())
        if point is not None and not dot:
            return point.name, self._point_type(point), Origin.POINT
        step = self._steps.get(path.upper())
        if step is not None:
            return f"{step}.X", self._instance.type_of(f"{step}.X"), Origin.PROGRAM
        if first.upper() in {name.upper() for name in self.application.programs}:
            return path, self._type_of(self._instance.type_of, path), Origin.PROGRAM
        equipment = self._equipment.get(first.upper())
        if equipment is not None:
            name = f"{equipment}{dot}{rest}"
            return name, self._type_of(self._plant.type_of, name), Origin.PLANT
        return self._shared(path, first)

    def _shared(self, path: str, first: str) -> tuple[str, Type, Origin]:
        """A global variable that a program declares, or nothing."""
        try:
            return path, self._instance.type_of(path), Origin.PROGRAM
        except SoftctlError:
            message = f"expected a point, a program or a piece of equipment, got {first}"
            raise UnknownNameError(message, suggest(first, self.known())) from None

    def _type_of(self, find: Callable[[str], Type], path: str) -> Type:
        try:
            return find(path)
        except SoftctlError as error:
            message, found, hint = str(error).partition("did you mean ")
            # The plant's variables live in a program that people do not see.
            message = message.replace("(Plant.", "(").rstrip("; :")
            raise UnknownNameError(message, found + hint) from None

    def _point_type(self, point: Point) -> Type:
        if point.role is Role.STEP:
            return point.type
        return self._instance.type_of(point.source or point.name)


def value_reader(names: Names, wanted: Sequence[str], controller: Controller, plant: Plant) -> Read:
    """A function that reads variables, found before, of a controller and a plant."""
    steps = [name for name in wanted if _is_step(names, name)]
    inside = [n for n in wanted if names.origins[n] is not Origin.PLANT and n not in steps]
    terminals = [name for name in wanted if names.origins[name] is Origin.PLANT]
    read_steps = [_step_reader(names.machine.points[name], controller) for name in steps]
    read_inside = controller.instance.reader([_path(names, name) for name in inside])
    read_plant = plant.reader(terminals)
    order = [*steps, *inside, *terminals]
    if order == list(wanted) and not steps:
        if not terminals:
            return read_inside
        return lambda: (*read_inside(), *read_plant())
    places = [order.index(name) for name in wanted]

    def read() -> tuple[Any, ...]:
        values = (*[one() for one in read_steps], *read_inside(), *read_plant())
        return tuple([values[place] for place in places])

    return read


def _step_reader(point: Point, controller: Controller) -> Callable[[], int]:
    """The number of the first active step of a chart, as the HMI map shows it."""
    steps = step_names(controller.application, point.chart)
    flags = controller.instance.reader([f"{point.chart}.{step}.X" for step in steps])

    def number() -> int:
        now = flags()
        return now.index(True) if True in now else 0

    return number


def _is_step(names: Names, name: str) -> bool:
    return names.origins[name] is Origin.POINT and names.machine.points[name].role is Role.STEP


def _path(names: Names, name: str) -> str:
    if names.origins[name] is Origin.POINT:
        return names.machine.points[name].source or name
    return name
