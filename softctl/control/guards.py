"""Guards: what must never be, and answers that must come in time."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from softctl.logic import Instance
from softctl.machine import Machine, Point, Role, Value, WatchedGuard
from softctl.values.types import Kind

TRAIL_NS = 10_000_000_000
"""How much of the past a breach keeps."""

Trail = tuple[tuple[int, tuple[Value, ...]], ...]
_Values = tuple[Value, ...]


@dataclass(frozen=True, slots=True)
class GuardBreach:
    """A guard that did not hold: when, what it protects, and every point before it.

    `names` are those of the points, `trail` their values at the scans of the last 10 s,
    the oldest first.
    """

    at_ns: int
    name: str
    text: str
    names: tuple[str, ...]
    trail: Trail


class GuardClock:
    """One guard in time: says once when it breaks, and again only after it held."""

    __slots__ = ("_is_broken", "_since_ns", "guard")

    def __init__(self, guard: WatchedGuard) -> None:
        self.guard = guard
        self._since_ns: int | None = None
        self._is_broken = False

    @property
    def is_pending(self) -> bool:
        """True while the time for an answer runs."""
        return self._since_ns is not None and not self._is_broken

    def breaks(self, condition: bool, expected: bool, now_ns: int) -> bool:
        """True in the scan in which the guard stops holding.

        `expected` is FALSE for a guard without a time. The time runs from the first scan
        in which the condition holds until the answer comes or the condition goes.
        """
        if not condition or expected:
            self._since_ns = None
            self._is_broken = False
            return False
        if self._since_ns is None:
            self._since_ns = now_ns
        if self._is_broken or now_ns - self._since_ns < self.guard.within_ns:
            return False
        self._is_broken = True
        return True


def breaches(
    clocks: Sequence[GuardClock], held: Sequence[tuple[bool, bool]], now_ns: int
) -> list[WatchedGuard]:
    """The guards that break in this scan; `held` has condition and answer of each."""
    return [
        clock.guard
        for clock, (condition, expected) in zip(clocks, held, strict=True)
        if clock.breaks(condition, expected, now_ns)
    ]


class TrailRecorder:
    """The values of all points at the scans of the last 10 s; `names` are those of the points.

    Reading and keeping all values of every scan would cost more than all else that guards do.
    So what the controller alone gives (figures, commands, set points) is read when it gave
    it anew, which it says by `is_given`, and what mostly rests shares one tuple with the scan
    before.
    """

    def __init__(self, machine: Machine) -> None:
        points = [p for p in machine.points.values() if p.role is not Role.STEP]
        self.names = tuple(point.name for point in points)
        self._given = [p for p in points if _is_given(p)]
        self._moving = [p for p in points if not _is_given(p) and _moves(p)]
        self._resting = [p for p in points if not _is_given(p) and not _moves(p)]
        order = [point.name for point in (*self._moving, *self._resting, *self._given)]
        self._places = [order.index(name) for name in self.names]
        self._scans: deque[tuple[int, _Values, _Values, _Values]] = deque(
            maxlen=TRAIL_NS // machine.scan_ns + 1
        )
        self.is_given = True
        self._gift: _Values = ()
        self._rest: _Values = ()

    def bind(self, instance: Instance) -> None:
        """Read this instance from now on."""
        self._read_moving = _values_reader(instance, self._moving)
        self._read_resting = _values_reader(instance, self._resting)
        self._read_given = _values_reader(instance, self._given)
        self.is_given = True
        self._rest = ()

    def note(self, now_ns: int) -> None:
        """Keep the values of this scan."""
        if self.is_given:
            self.is_given = False
            self._gift = self._read_given()
        rest = self._read_resting()
        if rest == self._rest:
            rest = self._rest
        else:
            self._rest = rest
        self._scans.append((now_ns, self._read_moving(), rest, self._gift))

    def taken(self) -> Trail:
        """What is kept, the oldest first."""
        return tuple(
            (at_ns, tuple(map((*moving, *rest, *gift).__getitem__, self._places)))
            for at_ns, moving, rest, gift in self._scans
        )


_COUNTERS = ("HEARTBEAT", "SCAN_COUNT")
_GIVEN = (Role.SYSTEM, Role.ALARM, Role.COMMAND, Role.SETPOINT)


def _is_given(point: Point) -> bool:
    """Whether only the controller writes it, and not in every scan."""
    return point.role in _GIVEN and point.name not in _COUNTERS


def _moves(point: Point) -> bool:
    """Whether it may change in every scan.

    A REAL also has a zero with a sign, which equals the one without and is another value.
    """
    return point.type.kind is Kind.REAL or point.name in _COUNTERS


def _values_reader(instance: Instance, points: Sequence[Point]) -> Callable[[], _Values]:
    return instance.reader([point.source or point.name for point in points])
