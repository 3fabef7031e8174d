"""Rows about alarms: what is expected of one, and what an operator does about it.

Both go over the points that alarms have on the HMI map, so they are the same live.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from softctl.logic import Source
from softctl.machine import Value
from softctl.machine.alarm_points import NUMBER, REQUEST, STATE_SUFFIX, TIME
from softctl.machine.document import Entry
from softctl.trial import model
from softctl.trial.fields import RowReader, Verb

STATES: Mapping[str, str] = {
    "raised": "{alarm}",
    "cleared": "NOT {alarm}",
    "acknowledged": "{state} = 2 OR {state} = 5 OR {state} = 6 OR {state} = 7",
    "waiting": "{state} = 1 OR {state} = 3 OR {state} = 4",
    "normal": "{state} = 0",
    "latched": "{state} = 4 OR {state} = 5",
    "suppressed": "{state} = 16",
    "shelved": "{state} = 17",
    "out of service": "{state} = 18",
}
"""What `is:` may say, over the alarm's two points; the codes are those of the HMI map."""

_REQUESTS = {
    "acknowledge": 1,
    "confirm": 2,
    "reset": 3,
    "shelve": 4,
    "unshelve": 5,
}


def _alarm(row: RowReader) -> model.Expect | None:
    fields = row.fields
    name = _name(row, row.verb)
    if "is" not in row.keys:
        fields.complain(
            f"expected 'is:' beside 'alarm:' ({', '.join(STATES)}), got none", row.place
        )
        return None
    word = fields.choice(row.keys["is"], list(STATES), "the state of an alarm")
    if not name or not word:
        return None
    text = STATES[word].format(alarm=name, state=f"{name}{STATE_SUFFIX}")
    condition = fields.conditions.read(Source(fields.file, text), fields.problems)
    return model.Expect(
        condition=condition,
        within_ns=row.time("within") or 0,
        for_ns=row.time("for") or 0,
        says=f"alarm {name} {word}",
        place=row.place,
        text=row.text,
    )


def _request(word: str) -> Callable[[RowReader], model.Write | None]:
    def read(row: RowReader) -> model.Write | None:
        names = list(row.fields.names.machine.alarms)
        if row.verb.value == "all" and word in ("acknowledge", "confirm", "reset"):
            name, number = "every alarm", 0
        else:
            name = _name(row, row.verb)
            number = names.index(name) + 1 if name else 0
        values: dict[str, Value] = {NUMBER: number}
        if word == "shelve":
            if "for" not in row.keys:
                row.fields.complain("expected 'for:' beside 'shelve:', got none", row.place)
                return None
            point = row.fields.names.machine.points[TIME]
            time = row.fields.point_value(point, row.keys["for"])
            if time is None:
                return None
            values[TIME] = time
        if not name:
            return None
        values[REQUEST] = _REQUESTS[word]
        shown = f"{word} {name}"
        return model.Write(values=values, shown=shown, place=row.place, text=row.text)

    return read


def _name(row: RowReader, entry: Entry) -> str:
    return row.fields.choice(entry, list(row.fields.names.machine.alarms), "an alarm")


ALARM_VERBS: Mapping[str, Verb] = {
    "alarm": Verb(_alarm, ("is", "within", "for")),
    **{word: Verb(_request(word), ("for",) if word == "shelve" else ()) for word in _REQUESTS},
}
