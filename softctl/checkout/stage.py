"""The HMI map while a checkout owns it: no program, every value put there on purpose.

1. Everything is at rest but what the step puts: so a screen that shows another point's
   value is seen.
2. What says that a controller is alive goes on: HEARTBEAT and SCAN_COUNT count, FIELD_LINK
   is TRUE, CONTROL_STATE running, CLIENTS right, unless the step is about it.
3. Momentary commands are released and requests about alarms answered, as a scan would.
"""

from __future__ import annotations

from collections.abc import Mapping

from softctl.checkout.values import rest_value
from softctl.control.alarm_desk import DONE
from softctl.control.hmi import HmiMap
from softctl.control.states import ControlState
from softctl.machine import Machine, Role, Value
from softctl.machine.alarm_points import REPLY, REQUEST

_SCAN_TIME_US = 480
_HEARTBEATS, _COUNTS = 1 << 16, 1 << 32


class Stage:
    """Fills one HMI map from the first `put` on; `tick` once every scan period."""

    def __init__(self, machine: Machine, hmi: HmiMap) -> None:
        self._hmi = hmi
        self._rest = {point.name: rest_value(point) for point in machine.points.values()}
        for point in machine.points.values():
            if point.role is Role.OUTPUT:
                self._rest[point.name] = point.safe_value
        self._rest |= {
            "FIELD_LINK": True,
            "CONTROL_STATE": int(ControlState.RUNNING),
            "SCAN_TIME_US": _SCAN_TIME_US,
            "SCAN_TIME_MAX_US": _SCAN_TIME_US,
        }
        self._scans = 0
        self._clients = 0
        self._puts: dict[str, Value] = {}

    def put(self, puts: Mapping[str, Value]) -> None:
        """Everything to rest, but these."""
        self._puts = dict(puts)
        for point in self._hmi.written:
            self._hmi.put(point.name, self._puts.get(point.name, self._rest[point.name]))
        self._show()

    def tick(self, clients: int) -> None:
        """What a controller would do in a scan, with so many clients connected."""
        self._scans += 1
        self._clients = clients
        taken = self._hmi.take()
        written = dict(zip((p.name for p in self._hmi.written), taken, strict=True))
        if written.get(REQUEST):
            self._hmi.put(REQUEST, 0)
            self._puts[REPLY] = DONE
        self._hmi.release_commands(taken)
        self._show()

    def values(self) -> dict[str, Value]:
        """What every point of the map has now."""
        written = zip(self._hmi.written, self._hmi.take(), strict=True)
        shown = self._shown()
        return {point.name: value for point, value in written} | shown

    def _show(self) -> None:
        values = self._shown()
        self._hmi.show([values[point.name] for point in self._hmi.shown])

    def _shown(self) -> dict[str, Value]:
        alive: dict[str, Value] = {
            "HEARTBEAT": self._scans % _HEARTBEATS,
            "SCAN_COUNT": self._scans % _COUNTS,
            "CLIENTS": self._clients,
        }
        values = {**self._rest, **alive, **self._puts}
        return {point.name: values[point.name] for point in self._hmi.shown}
