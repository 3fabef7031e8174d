"""Alarms, broken guards and forces as events."""

from __future__ import annotations

from softctl.alarms import AlarmBoard
from softctl.control import ForceChange, GuardBreach, Happening
from softctl.runtime.events import EventSink


def tell(happening: Happening, board: AlarmBoard, sink: EventSink) -> None:
    """Tell the sink what happened to an alarm, a guard or a forced variable."""
    if isinstance(happening, ForceChange):
        force = happening.force
        sink(f"force: {happening.what}", path=force.path, value=force.value, reason=force.reason)
        return
    if isinstance(happening, GuardBreach):
        sink("guard broken", guard=happening.name, text=happening.text)
        return
    fields: dict[str, object] = {"alarm": happening.name}
    rule = board.alarms[happening.name].rule
    if rule.text:
        fields["text"] = rule.text
    fields["priority"] = rule.priority.value
    if happening.source:
        fields["by"] = happening.source
    sink(f"alarm {happening.event.value}", **fields)
