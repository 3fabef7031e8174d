"""What a machine file says about an alarm."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Priority(Enum):
    """How soon an operator has to respond; the value is the word used in files."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


class Ending(Enum):
    """What an acknowledged alarm still needs, once its condition is gone, to be normal.

    NONE needs nothing. CONFIRM needs a second person's or a later confirmation (OPC UA
    part 9, the optional Confirm). RESET is a latching alarm (ISA-18.2, latched states).
    """

    NONE = "none"
    CONFIRM = "confirm"
    RESET = "reset"


@dataclass(frozen=True, slots=True)
class AlarmRule:
    """One alarm, without its condition: whoever scans evaluates that.

    Delays are nanoseconds, both >= 0; a condition has to hold, or to be gone, for that
    long without a break. `group` names the alarms among which the first one out is kept,
    empty for none. Cause, consequence and response are for people and documents.
    """

    name: str
    text: str = ""
    priority: Priority = Priority.LOW
    on_delay_ns: int = 0
    off_delay_ns: int = 0
    ending: Ending = Ending.NONE
    group: str = ""
    cause: str = ""
    consequence: str = ""
    response: str = ""
