"""What a machine file says about a program, held against the program."""

from __future__ import annotations

from difflib import get_close_matches

from softctl.errors import Problem, SoftctlError
from softctl.logic import Application
from softctl.machine import Machine, Point, Role


def check_bindings(machine: Machine, application: Application) -> list[Problem]:
    """Every point whose chart or source variable the compiled programs do not have."""
    problems = []
    for point in machine.points.values():
        if point.role is Role.STEP:
            problems += _check_chart(point, application)
        elif point.source:
            problems += _check_source(point, application)
    return problems


def check_tasks(machine: Machine, application: Application) -> list[Problem]:
    """A warning for every task that is due more often than scans come."""
    short = {
        entry.task: entry
        for entry in application.scheduled
        if 0 < entry.interval_ns < machine.scan_ns
    }
    return [
        Problem(
            f"task {task} is due every {entry.interval_ns / 1e6:g} ms, but a scan comes every "
            f"{machine.scan_ns / 1e6:g} ms: the releases in between are missed",
            entry.block.at.place,
            severity="warning",
        )
        for task, entry in short.items()
    ]


def _check_chart(point: Point, application: Application) -> list[Problem]:
    names = [chart.program for chart in application.charts]
    if point.chart.casefold() in (name.casefold() for name in names):
        return []
    close = get_close_matches(point.chart, names, n=1)
    hint = f"did you mean {close[0]}?" if close else ""
    known = ", ".join(names) or "none"
    message = f"expected a program with a sequence chart ({known}), got {point.chart}"
    return [Problem(message, point.place, hint=hint)]


def _check_source(point: Point, application: Application) -> list[Problem]:
    try:
        value = application.instantiate().read(point.source)
    except SoftctlError as error:
        return [Problem(f"expected a variable path, got {point.source}: {error}", point.place)]
    wanted = _python_type(point)
    if isinstance(value, bool) is not (wanted is bool) or not isinstance(value, wanted):
        message = f"expected a {point.type} variable, got {point.source} = {value!r}"
        return [Problem(message, point.place)]
    return []


def _python_type(point: Point) -> type:
    return type(point.initial) if point.initial is not None else int
