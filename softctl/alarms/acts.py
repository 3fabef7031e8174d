"""What people do to an alarm, by name, for whatever lets them: an HMI, a command, a trial."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from softctl.alarms.board import AlarmBoard, AlarmChange

Act = Callable[[AlarmBoard, str, int, str, int], Sequence[AlarmChange]]
"""With the board, the alarm's name, the time, who does it, and the time on the shelf."""

ACTS: Mapping[str, Act] = {
    "acknowledge": lambda board, name, now_ns, by, _: [board.acknowledge(name, now_ns, by)],
    "confirm": lambda board, name, now_ns, by, _: [board.confirm(name, now_ns, by)],
    "reset": lambda board, name, now_ns, by, _: [board.reset(name, now_ns, by)],
    "shelve": lambda board, name, now_ns, by, for_ns: board.shelve(name, for_ns, now_ns, by),
    "unshelve": lambda board, name, now_ns, by, _: board.unshelve(name, now_ns, by),
    "remove": lambda board, name, now_ns, by, _: board.set_out_of_service(name, True, now_ns, by),
    "return": lambda board, name, now_ns, by, _: board.set_out_of_service(name, False, now_ns, by),
}
"""In the order of the codes that an HMI requests them by, from 1 on."""
