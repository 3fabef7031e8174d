"""What an HMI sees of the alarms, and what it may ask of them through its registers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from softctl.alarms import ACTS, Alarm, AlarmBoard, AlarmChange, Availability, State
from softctl.control.hmi import HmiMap
from softctl.errors import SoftctlError
from softctl.image import Side, point_setter
from softctl.machine import Machine, Value
from softctl.machine.alarm_points import NUMBER, REPLY, REQUEST, STATE_SUFFIX, TIME

STATE_CODES: Mapping[State | Availability, int] = {
    State.NORMAL: 0,
    State.UNACKNOWLEDGED: 1,
    State.ACKNOWLEDGED: 2,
    State.RETURNED: 3,
    State.LATCHED_UNACKNOWLEDGED: 4,
    State.LATCHED: 5,
    State.UNCONFIRMED: 6,
    State.RETURNED_UNCONFIRMED: 7,
    Availability.SUPPRESSED: 16,
    Availability.SHELVED: 17,
    Availability.OUT_OF_SERVICE: 18,
}
"""What the state points of alarms show."""

DONE, REFUSED = 1, 2
_HMI = "HMI"

_ACTS = tuple(ACTS.values())


class AlarmDesk:
    """Takes requests off the HMI map, each exactly once, and says what the points show.

    A request about alarm 0 acknowledges, confirms or resets whatever can be.
    """

    def __init__(self, machine: Machine, board: AlarmBoard, hmi: HmiMap) -> None:
        self._board = board
        self._alarms: Sequence[Alarm] = list(board.alarms.values())
        self._names = list(board.alarms)
        self.reply = 0
        """What became of the last request: DONE, REFUSED, or 0 before the first."""
        self._shown: tuple[int, int] | None = None
        written = [point.name for point in hmi.written]
        self._places = [written.index(name) for name in (REQUEST, NUMBER, TIME) if name in written]
        request = machine.points.get(REQUEST)
        self._release = (
            None if request is None else point_setter(hmi.bank, machine, request, Side.HMI)
        )

    def take(self, written: Sequence[Value], now_ns: int) -> Sequence[AlarmChange]:
        """Deal with the request among the written values, if there is one."""
        if self._release is None or not written[self._places[0]]:
            return ()
        request, number, shelf_ns = (int(written[place]) for place in self._places)
        changes = self._deal(request, number, shelf_ns, now_ns)
        self._release(0)
        self.reply = DONE if changes else REFUSED
        return changes

    def _deal(self, request: int, number: int, shelf_ns: int, now_ns: int) -> list[AlarmChange]:
        names = self._names if number == 0 else self._names[number - 1 : number]
        if number == 0 and request > 3:
            return []
        changes: list[AlarmChange] = []
        for name in names:
            try:
                changes += _ACTS[request - 1](self._board, name, now_ns, _HMI, shelf_ns)
            except SoftctlError:
                continue
        return changes

    def news(self) -> dict[str, Value]:
        """The values of all alarm points when one of them may have changed, else nothing."""
        shown = (self._board.revision, self.reply)
        if shown == self._shown:
            return {}
        self._shown = shown
        alarms = self._alarms
        values: dict[str, Value] = {
            "ALARMS_ACTIVE": sum(alarm.state.is_active for alarm in alarms),
            "ALARMS_WAITING": sum(not alarm.state.is_acknowledged for alarm in alarms),
            "ALARM_FLOOD": self._board.rates.is_flood,
        }
        if alarms:
            values[REPLY] = self.reply
        for name, alarm in zip(self._names, alarms, strict=True):
            values[name] = alarm.state.is_active
            values[f"{name}{STATE_SUFFIX}"] = _code(alarm)
        return values


def _code(alarm: Alarm) -> int:
    availability = alarm.availability
    is_in_service = availability is Availability.IN_SERVICE
    return STATE_CODES[alarm.state if is_in_service else availability]
