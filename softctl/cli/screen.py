"""The one-screen status of a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from softctl.cli.carriers import draw_carriers
from softctl.cli.status import Status
from softctl.control import Controller, ControlState
from softctl.machine import Point, Role, Value
from softctl.values.types import Kind

_BAR_CELLS = 30
_ALARM_LINES = 6
_MOST_CLIENTS = 4
_ABNORMAL = "bold red"
_QUIET = "dim"


def draw(status: Status, events: Sequence[str]) -> RenderableType:
    """Levels, steps, points, link and scan figures, and the last events."""
    parts: list[RenderableType] = [Text()]
    if status.summary is not None:
        parts.append(Text(status.summary()))
    if status.device is not None:
        parts.append(_vessels(status))
        parts.append(draw_carriers(status.device.plant.carriers()))
    if status.controller is not None:
        parts.append(_charts(status))
        parts.append(_points(status.controller))
        parts.append(_health(status.controller))
        parts += _alarms(status.controller)
        parts += [Text(f"HMI client {line}") for line in status.hmi_clients()[:_MOST_CLIENTS]]
    if status.device is not None and status.device.is_fail_safe:
        parts.append(Text("! outputs at fail-safe: no controller writes them", style=_ABNORMAL))
    if wire := status.wire_faults():
        parts.append(Text("! wire faults: " + ", ".join(wire), style=_ABNORMAL))
    parts += [Text(line, style=_QUIET) for line in events]
    parts.append(Text(f"{status.machine_seconds():.1f} s of machine time. Ctrl-C stops."))
    return Group(*parts)


def _vessels(status: Status) -> RenderableType:
    assert status.device is not None
    table = Table.grid(padding=(0, 2))
    for vessel in status.device.plant.summary():
        table.add_row(
            vessel.name,
            _bar(vessel.level_m / vessel.height_m),
            f"{vessel.level_m:6.3f} m of {vessel.height_m:g} m",
            f"{1000 * vessel.volume_m3:7.1f} L",
        )
    return table


def _bar(share: float) -> Text:
    filled = round(min(max(share, 0.0), 1.0) * _BAR_CELLS)
    return Text("█" * filled + "·" * (_BAR_CELLS - filled))


def _charts(status: Status) -> RenderableType:
    assert status.controller is not None
    table = Table.grid(padding=(0, 2))
    for chart in status.controller.application.charts:
        active = status.controller.instance.active_steps(chart.program)
        line = Text()
        for step in chart.steps:
            is_active = step.name in active
            line.append(f"[{step.name}]" if is_active else f" {step.name} ", _style(is_active))
        table.add_row(chart.program, line)
    return table


def _style(is_active: bool) -> str:
    return "bold reverse" if is_active else _QUIET


def _points(controller: Controller) -> RenderableType:
    """Inputs, outputs and the rest side by side, so that everything fits one screen."""
    values = controller.values()
    table = Table(box=None, padding=(0, 2), show_edge=False, header_style="bold")
    groups = {
        "inputs": [Role.INPUT],
        "outputs": [Role.OUTPUT],
        "states, set points": [Role.STATE, Role.SETPOINT],
    }
    columns = []
    for title, roles in groups.items():
        table.add_column(title, no_wrap=True)
        columns.append([p for p in controller.machine.points.values() if p.role in roles])
    for row in range(max(len(column) for column in columns)):
        table.add_row(*[_cell(column, row, values) for column in columns])
    return table


def _cell(column: Sequence[Point], row: int, values: dict[str, Value]) -> Text:
    if row >= len(column):
        return Text()
    point = column[row]
    value = values[point.name]
    return Text(f"{point.name:<14} {value_text(point, value)}", style="" if value else _QUIET)


def value_text(point: Point, value: Value) -> str:
    """A value as a person reads it: on or off, a duration in seconds, a figure with its unit."""
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, float):
        return f"{value:.3f} {point.unit}".rstrip()
    if point.type.kind is Kind.DURATION:
        return f"{int(value) / 1e9:g} s"
    return f"{value} {point.unit}".rstrip()


def _alarms(controller: Controller) -> Iterator[RenderableType]:
    """The alarms on the list, those that wait for somebody first, forces and broken guards."""
    listed = [alarm for alarm in controller.watch.board.alarms.values() if alarm.state.is_listed]
    listed.sort(key=lambda alarm: alarm.state.is_acknowledged)
    for alarm in listed[:_ALARM_LINES]:
        rule = alarm.rule
        first = ", first out" if alarm.is_first_out else ""
        text = f"! {rule.name}  {rule.text}  ({rule.priority.value}, {alarm.state.value}{first})"
        yield Text(text, style="" if alarm.state.is_acknowledged else _ABNORMAL)
    if len(listed) > _ALARM_LINES:
        yield Text(f"! and {len(listed) - _ALARM_LINES} more alarms", style=_ABNORMAL)
    for path, value in controller.instance.forces.items():
        shown = f"{value:.6g}" if isinstance(value, float) else value
        yield Text(f"! forced: {path} held at {shown}", style=_ABNORMAL)
    if controller.watch.guards_broken:
        yield Text(f"! guards broken: {controller.watch.guards_broken}", style=_ABNORMAL)


def _health(controller: Controller) -> RenderableType:
    figures = controller.statistics
    line = Text()
    if controller.link_healthy:
        line.append("field link healthy")
    else:
        line.append("! COMMS ALARM: field link lost, outputs at fail-safe", style=_ABNORMAL)
    if controller.state is ControlState.STOPPED:
        line.append("  ! PROGRAMS STOPPED: outputs at fail-safe", style=_ABNORMAL)
    if controller.fault is not None:
        line.append(f"  ! PROGRAM STOPPED: {controller.fault}", style=_ABNORMAL)
    line.append(
        f"   HMI clients {controller.clients}   scans {figures.scans}   "
        f"scan {figures.duration_ns / 1e6:.2f} ms (max {figures.duration_max_ns / 1e6:.2f})   "
        f"late {figures.jitter_ns / 1e6:.2f} ms (max {figures.jitter_max_ns / 1e6:.2f})   "
        f"overruns {figures.overruns}"
    )
    return line
