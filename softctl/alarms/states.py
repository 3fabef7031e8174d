"""The states of an alarm as a table: state and event give the next state.

1. A pair that is not in the table of an alarm's ending does not happen: a person who asks
   for it is refused, and a condition cannot ask for it.
2. RAISE leads to UNACKNOWLEDGED from everywhere: what comes again is announced again.
3. An alarm that is shelved, suppressed or out of service rests in NORMAL; when it is back,
   a condition that holds raises it anew (ISA-18.2, states G, H and I).

Source: the states A to F of ISA-18.2 / IEC 62682; the transitions with a confirmation are
those of OPC UA part 9, table B.1.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum

from softctl.alarms.rules import Ending


class State(Enum):
    """Where an alarm stands; the value is the word people read."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned, unacknowledged"
    UNCONFIRMED = "acknowledged, unconfirmed"
    RETURNED_UNCONFIRMED = "returned, unconfirmed"
    LATCHED_UNACKNOWLEDGED = "latched, unacknowledged"
    LATCHED = "latched"

    @property
    def is_active(self) -> bool:
        """True while the condition counts as present."""
        return self in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.UNCONFIRMED)

    @property
    def is_acknowledged(self) -> bool:
        """False while somebody has to acknowledge."""
        return self not in (State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED)

    @property
    def is_confirmed(self) -> bool:
        """False between the acknowledgement and the confirmation that it still needs."""
        return self not in (State.UNCONFIRMED, State.RETURNED_UNCONFIRMED)

    @property
    def is_listed(self) -> bool:
        """True while it belongs on an alarm list (OPC UA part 9: Retain)."""
        return self is not State.NORMAL


class Event(Enum):
    """What happens to an alarm; the value completes "the alarm was …"."""

    RAISE = "raised"
    CLEAR = "cleared"
    ACKNOWLEDGE = "acknowledged"
    CONFIRM = "confirmed"
    RESET = "reset"
    SHELVE = "shelved"
    UNSHELVE = "unshelved"
    SUPPRESS = "suppressed by design"
    UNSUPPRESS = "no longer suppressed"
    REMOVE = "taken out of service"
    RETURN = "returned to service"


class Availability(Enum):
    """Whether an alarm may announce itself."""

    IN_SERVICE = "in service"
    SUPPRESSED = "suppressed by design"
    SHELVED = "shelved"
    OUT_OF_SERVICE = "out of service"


Table = Mapping[tuple[State, Event], State]

_PLAIN: Table = {
    (State.NORMAL, Event.RAISE): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Event.ACKNOWLEDGE): State.ACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Event.CLEAR): State.RETURNED,
    (State.ACKNOWLEDGED, Event.CLEAR): State.NORMAL,
    (State.RETURNED, Event.ACKNOWLEDGE): State.NORMAL,
    (State.RETURNED, Event.RAISE): State.UNACKNOWLEDGED,
}
_CONFIRM: Table = {
    (State.NORMAL, Event.RAISE): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Event.ACKNOWLEDGE): State.UNCONFIRMED,
    (State.UNACKNOWLEDGED, Event.CLEAR): State.RETURNED,
    (State.RETURNED, Event.ACKNOWLEDGE): State.RETURNED_UNCONFIRMED,
    (State.RETURNED, Event.RAISE): State.UNACKNOWLEDGED,
    (State.UNCONFIRMED, Event.CONFIRM): State.ACKNOWLEDGED,
    (State.UNCONFIRMED, Event.CLEAR): State.RETURNED_UNCONFIRMED,
    (State.RETURNED_UNCONFIRMED, Event.CONFIRM): State.NORMAL,
    (State.RETURNED_UNCONFIRMED, Event.RAISE): State.UNACKNOWLEDGED,
    (State.ACKNOWLEDGED, Event.CLEAR): State.NORMAL,
}
_RESET: Table = {
    (State.NORMAL, Event.RAISE): State.UNACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Event.ACKNOWLEDGE): State.ACKNOWLEDGED,
    (State.UNACKNOWLEDGED, Event.CLEAR): State.LATCHED_UNACKNOWLEDGED,
    (State.ACKNOWLEDGED, Event.CLEAR): State.LATCHED,
    (State.LATCHED_UNACKNOWLEDGED, Event.ACKNOWLEDGE): State.LATCHED,
    (State.LATCHED_UNACKNOWLEDGED, Event.RAISE): State.UNACKNOWLEDGED,
    (State.LATCHED, Event.RAISE): State.UNACKNOWLEDGED,
    (State.LATCHED, Event.RESET): State.NORMAL,
}

TABLES: Mapping[Ending, Table] = {
    Ending.NONE: _PLAIN,
    Ending.CONFIRM: _CONFIRM,
    Ending.RESET: _RESET,
}
