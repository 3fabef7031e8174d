"""Alarms and broken guards as events."""

from __future__ import annotations

from softctl.alarms import AlarmBoard, AlarmChange
from softctl.control import Happening
from softctl.runtime.events import EventSink


def tell(happening: Happening, board: AlarmBoard, sink: EventSink) -> None:
    """Tell the sink what happened to an alarm or a guard."""
    if not isinstance(happening, AlarmChange):
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
