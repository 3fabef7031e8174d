"""Alarms as IEC 62682 and ISA-18.2 describe them: states, delays, shelving, rates."""

from softctl.alarms.acts import ACTS
from softctl.alarms.board import Alarm, AlarmBoard, AlarmChange
from softctl.alarms.rates import AlarmRates, RateFigures
from softctl.alarms.rules import AlarmRule, Ending, Priority
from softctl.alarms.states import Availability, Event, State

__all__ = [
    "ACTS",
    "Alarm",
    "AlarmBoard",
    "AlarmChange",
    "AlarmRates",
    "AlarmRule",
    "Availability",
    "Ending",
    "Event",
    "Priority",
    "RateFigures",
    "State",
]
