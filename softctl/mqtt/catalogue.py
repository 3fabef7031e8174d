"""What a session publishes of a machine, and in which order snapshots have it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from softctl.alarms import AlarmRule, Availability, State
from softctl.control.alarm_desk import STATE_CODES
from softctl.machine import Machine, Mqtt, Point, Role, Value
from softctl.machine.alarm_points import STATE_SUFFIX

_STANDINGS = {code: standing for standing, code in STATE_CODES.items()}


@dataclass(frozen=True, slots=True)
class Catalogue:
    """The points of one machine as a broker gets them.

    `texts` holds the names of the steps of a chart by the point that shows it; whoever makes
    snapshots keeps it true. `alarms` are in the order of the points that show their states.
    """

    machine: Machine
    points: Sequence[Point]
    alarms: Sequence[AlarmRule]
    system: Sequence[Point]
    texts: dict[str, Sequence[str]] = field(default_factory=dict)

    @property
    def all(self) -> list[Point]:
        """Every point in the order of a snapshot's values."""
        states = [self.machine.points[f"{rule.name}{STATE_SUFFIX}"] for rule in self.alarms]
        return [*self.points, *states, *self.system]

    @property
    def alarms_from(self) -> int:
        """The index of the first alarm's state."""
        return len(self.points)

    @property
    def system_from(self) -> int:
        """The index of the first system point."""
        return len(self.points) + len(self.alarms)


def catalogue(
    machine: Machine, mqtt: Mqtt, texts: Mapping[str, Sequence[str]] | None = None
) -> Catalogue:
    """What the section `mqtt` wants of a machine: its points, all alarms, all figures."""
    return Catalogue(
        machine,
        [machine.points[name] for name in mqtt.points],
        [alarm.rule for alarm in machine.alarms.values()],
        [point for point in machine.points.values() if point.role is Role.SYSTEM],
        dict(texts or {}),
    )


@dataclass(frozen=True, slots=True)
class Standing:
    """Where an alarm stands: in words, and what an operator's list asks first."""

    state: str
    is_active: bool
    is_acknowledged: bool


def standing(code: Value) -> Standing:
    """What the value of an alarm's state point means."""
    found = _STANDINGS.get(int(code) if isinstance(code, int) else 0, State.NORMAL)
    if isinstance(found, Availability):
        return Standing(found.value, False, True)
    return Standing(found.value, found.is_active, found.is_acknowledged)
