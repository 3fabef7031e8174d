"""The points that alarms put on the HMI map, behind all of a machine's own.

Each alarm has a BOOL of its own name, TRUE while it is active, and a UINT with its state.
An HMI acts on alarms through three registers that it writes together, the request last,
and reads the answer: the request goes back to 0 when it has been dealt with.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from softctl.machine.model import Point, Role, WatchedAlarm
from softctl.machine.points import Draft
from softctl.machine.reader import Named
from softctl.values.types import ELEMENTARY_TYPES

STATE_SUFFIX = "_STATE"
NUMBER, TIME, REQUEST, REPLY = (
    "ALARM_NUMBER",
    "ALARM_SHELF_TIME",
    "ALARM_REQUEST",
    "ALARM_REPLY",
)
REQUEST_POINTS = (NUMBER, TIME, REQUEST, REPLY)
_SECOND_NS = 1_000_000_000


def alarm_points(alarms: Sequence[tuple[Named, WatchedAlarm]]) -> Iterator[Draft]:
    """The points of all alarms; none where there is no alarm."""
    for named, alarm in alarms:
        yield _read_only(named, alarm.rule.name, "BOOL", alarm.rule.text or "alarm active")
    for named, alarm in alarms:
        name = alarm.rule.name
        yield _read_only(named, f"{name}{STATE_SUFFIX}", "UINT", f"state of {name}, by its code")
    if alarms:
        yield from _request(alarms[0][0], len(alarms))


def _read_only(named: Named, name: str, type_: str, description: str) -> Draft:
    point = Point(
        name=name,
        role=Role.ALARM,
        type=ELEMENTARY_TYPES[type_],
        place=named.place,
        description=description,
        initial=False if type_ == "BOOL" else 0,
    )
    return Draft(point, named)


def _request(named: Named, count: int) -> Iterator[Draft]:
    number = "which alarm a request is about, from 1 in the order of the file; 0 is every one"
    yield Draft(_written(named, NUMBER, "UINT", number, 0, count), named)
    shelf = "how long it is to be shelved"
    limit_ns = 8 * 3_600 * _SECOND_NS
    yield Draft(_written(named, TIME, "TIME", shelf, _SECOND_NS, limit_ns), named)
    codes = (
        "1 acknowledge, 2 confirm, 3 reset, 4 shelve, 5 unshelve, 6 out of service, "
        "7 back in service; goes back to 0 when dealt with"
    )
    yield Draft(_written(named, REQUEST, "UINT", codes, 0, 7), named)
    yield _read_only(named, REPLY, "UINT", "answer to the last request: 1 done, 2 refused")


def _written(named: Named, name: str, type_: str, description: str, low: int, high: int) -> Point:
    return Point(
        name=name,
        role=Role.SETPOINT,
        type=ELEMENTARY_TYPES[type_],
        place=named.place,
        description=description,
        low=low,
        high=high,
        initial=low,
    )
