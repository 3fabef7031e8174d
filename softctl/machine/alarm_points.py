"""The points that alarms put on the HMI map, from address 1000 on.

Alarm number n, from 1 in the file's order, is discrete input 1000 + n, with a BOOL of its own
name that is TRUE while it is active, and its state is input register 1000 + n. So points
added to the machine move no alarm. An HMI acts on alarms through three registers that it
writes together, the request last, and reads the answer: the request goes back to 0 when it
has been dealt with.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from softctl.machine.model import Point, Role, WatchedAlarm
from softctl.machine.points import Draft
from softctl.machine.reader import Named
from softctl.values.types import ELEMENTARY_TYPES

STATE_SUFFIX = "_STATE"
FIRST = 1_000
"""Where the alarms' addresses begin in each table."""

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
    for number, (named, alarm) in enumerate(alarms, start=FIRST + 1):
        name, text = alarm.rule.name, alarm.rule.text or "alarm active"
        yield _read_only(named, name, "BOOL", text, number)
        state = f"state of {name}, by its code"
        yield _read_only(named, f"{name}{STATE_SUFFIX}", "UINT", state, number)
    if alarms:
        yield from _request(alarms[0][0], len(alarms))


def _read_only(named: Named, name: str, type_: str, description: str, address: int) -> Draft:
    point = Point(
        name=name,
        role=Role.ALARM,
        type=ELEMENTARY_TYPES[type_],
        place=named.place,
        description=description,
        initial=False if type_ == "BOOL" else 0,
    )
    return Draft(point, named, hmi_address=address)


def _request(named: Named, count: int) -> Iterator[Draft]:
    number = "which alarm a request is about, from 1 in the order of the file; 0 is every one"
    yield Draft(_written(named, NUMBER, "UINT", number, 0, count), named, hmi_address=FIRST)
    shelf = "how long it is to be shelved"
    limit_ns = 8 * 3_600 * _SECOND_NS
    time = _written(named, TIME, "TIME", shelf, _SECOND_NS, limit_ns)
    yield Draft(time, named, hmi_address=FIRST + 2)
    codes = (
        "1 acknowledge, 2 confirm, 3 reset, 4 shelve, 5 unshelve, 6 out of service, "
        "7 back in service; goes back to 0 when dealt with"
    )
    yield Draft(_written(named, REQUEST, "UINT", codes, 0, 7), named, hmi_address=FIRST + 4)
    answer = "answer to the last request: 1 done, 2 refused"
    yield _read_only(named, REPLY, "UINT", answer, FIRST)


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
