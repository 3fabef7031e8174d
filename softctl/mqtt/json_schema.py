"""The JSON payloads as JSON Schemas (draft 2020-12), by topic below the base.

`softctl bridge --schema` prints them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

_TEXT: Final = {"type": "string"}
_BOOL: Final = {"type": "boolean"}
_COUNT: Final = {"type": "integer", "minimum": 0}
_TIME: Final = {
    "type": "string",
    "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$",
    "description": "UTC, to the millisecond",
}
_ANY: Final = {
    "type": ["boolean", "number", "string", "null"],
    "description": "BOOL; a number (a duration in seconds, null where it is not finite); a text, "
    "a date such as 2026-11-25 or a time of day",
}


def _object(required: Mapping[str, Any], optional: Mapping[str, Any] | None = None) -> Any:
    return {
        "type": "object",
        "properties": {**required, **(optional or {})},
        "required": list(required),
        "additionalProperties": False,
    }


def _by_name(schema: Any) -> Any:
    return {"type": "object", "additionalProperties": schema}


_STEP: Final = {"text": {"type": "string", "description": "the step's name"}}
_VALUE: Final = {
    "value": _ANY,
    "good": {"type": "boolean", "description": "false when it is old: no field or no controller"},
}

SCHEMAS: Final[Mapping[str, Any]] = {
    "status": _object(
        {
            "time": _TIME,
            "state": {"enum": ["online", "offline"]},
            "run": {"type": "string", "description": "another one at each start of the bridge"},
            "machine": _TEXT,
        },
        {"controller": {"enum": ["reached", "lost"]}},
    ),
    "machine": _object(
        {
            "schema": {"const": 1},
            "machine": _TEXT,
            "title": _TEXT,
            "points": _by_name(
                _object(
                    {"role": _TEXT, "type": _TEXT, "writable": _BOOL},
                    {
                        "unit": _TEXT,
                        "range": {"type": "array", "items": _ANY},
                        "description": _TEXT,
                    },
                )
            ),
            "alarms": _by_name(_object({"priority": _TEXT, "text": _TEXT})),
        }
    ),
    "points/NAME": _object({"time": _TIME, **_VALUE}, {"unit": _TEXT, **_STEP}),
    "points": _object({"time": _TIME, "points": _by_name(_object(_VALUE, _STEP))}),
    "changes": _object({"time": _TIME, "points": _by_name(_object(_VALUE, _STEP))}),
    "alarms/NAME": _object(
        {
            "time": _TIME,
            "state": _TEXT,
            "active": _BOOL,
            "acknowledged": _BOOL,
            "good": _BOOL,
            "priority": {"enum": ["low", "medium", "high"]},
            "text": _TEXT,
        }
    ),
    "events": _object(
        {
            "id": {"type": "string", "description": "its own for ever; twice is a duplicate"},
            "number": {"type": "integer", "description": "counts; a gap is a lost event"},
            "time": _TIME,
            "kind": {"type": "string", "description": "alarm, guard, command, setpoint, force…"},
            "name": _TEXT,
            "what": _TEXT,
            "by": {"type": "string", "description": "who did it, empty for nobody"},
            "details": {"type": "object"},
        }
    ),
    "statistics": _object(
        {
            "time": _TIME,
            "controller": {
                "type": "object",
                "additionalProperties": _ANY,
                "description": "the system points of the HMI map",
            },
            "bridge": _object(
                {
                    "sent": _COUNT,
                    "waiting": _COUNT,
                    "dropped_values": _COUNT,
                    "dropped_events": _COUNT,
                    "refused_requests": _COUNT,
                    "connections": _COUNT,
                }
            ),
        }
    ),
    "replies": _object(
        {
            "time": _TIME,
            "id": {"type": ["string", "null"]},
            "names": {"type": "array", "items": _TEXT},
            "result": {"enum": ["done", "refused"]},
        },
        {"reason": _TEXT},
    ),
}
