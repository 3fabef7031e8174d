"""The JSON Schemas of trial files and of files of campaigns, for editors.

They know the keys and shapes; names, ranges and conditions are checked when a file is read.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from softctl.machine.fields import SCHEMA_DIALECT
from softctl.trial.alarm_rows import STATES
from softctl.trial.campaign import EVENT_KEYS, WAITING
from softctl.trial.draws import DRAWS
from softctl.trial.rows import VERBS, WATCHES

Schema = dict[str, Any]

_TEXT: Final[Schema] = {"type": "string", "pattern": r"\S"}
_TIME: Final[Schema] = {"type": "string", "examples": ["5 s"]}
_VALUE: Final[Schema] = {"type": ["number", "string", "boolean"]}
_CONDITION: Final[Schema] = {"type": ["string", "boolean", "number"], "examples": ["P_101"]}
_NAMES: Final[Schema] = {
    "anyOf": [_TEXT, {"type": "array", "items": _TEXT, "minItems": 1}],
}
_VALUES: Final[Schema] = {"type": "object", "additionalProperties": _VALUE, "minProperties": 1}
_STEPS: Final[Schema] = {
    "type": "array",
    "minItems": 1,
    "items": {"anyOf": [_TEXT, {"type": "array", "items": _TEXT, "minItems": 1}]},
}
_CHANCE: Final[Schema] = {"type": ["number", "string"], "examples": ["20 %"]}

_OF_VERB: Final[Mapping[str, Schema]] = {
    "command": _NAMES,
    "withdraw": _NAMES,
    "set": _VALUES,
    "fault": {**_TEXT, "examples": ["LSH_101 stuck"]},
    "mend": _TEXT,
    "force": _VALUES,
    "release": _NAMES,
    "wire": {"type": "string", "enum": ["cut", "mended"]},
    "wait": _TIME,
    "sequence": _STEPS,
    "alarm": _TEXT,
    "acknowledge": _TEXT,
    "confirm": _TEXT,
    "reset": _TEXT,
    "shelve": _TEXT,
    "unshelve": _TEXT,
}
"""The value of each kind of row; that of the others is a condition."""

_OF_KEY: Final[Mapping[str, Schema]] = {
    "size": {"type": ["number", "string"], "examples": ["20 mm"]},
    "with": _CONDITION,
    "band": {"type": ["number", "string"]},
    "chart": _TEXT,
    "is": {"enum": list(STATES)},
    "until": _CONDITION,
}
"""The value of the keys beside a verb; that of the others is a time."""

_NEEDED: Final = {
    "wait until": ["within"],
    "sequence": ["within"],
    "compare": ["with", "band"],
    "alarm": ["is"],
    "shelve": ["for"],
}


def trial_schema() -> Schema:
    """The JSON Schema (draft 2020-12) of a trial file."""
    rows = [_row(verb, verb_.keys) for verb, verb_ in VERBS.items()]
    trial = _object(
        {
            "text": {**_TEXT, "description": "what it shows"},
            "given": _given(),
            "throughout": _throughout(),
            "procedure": {
                "type": "array",
                "items": {"anyOf": rows},
                "description": "what is done, waited for and expected, in this order",
            },
        },
        "procedure",
    )
    return _file("trials", trial)


def campaign_schema() -> Schema:
    """The JSON Schema (draft 2020-12) of a file of campaigns; any value may be drawn."""
    events = [
        _drawable(_row(verb, (*verb_.keys, *EVENT_KEYS)))
        for verb, verb_ in VERBS.items()
        if verb not in WAITING
    ]
    campaign = _object(
        {
            "text": {**_TEXT, "description": "what it is about"},
            "given": _drawable(_given()),
            "throughout": _throughout(),
            "events": {
                "type": "array",
                "items": {"anyOf": events},
                "description": "what may happen: at a time, every so often, by chance",
            },
            "duration": {**_TIME, "description": "machine time of a run"},
        },
        "duration",
    )
    return _file("campaigns", campaign)


def _file(key: str, one: Schema) -> Schema:
    about = {**_TEXT, "description": "what the file is about"}
    parts = {"about": about, key: {"type": "object", "additionalProperties": one}}
    return {"$schema": SCHEMA_DIALECT, **_object(parts, key)}


def _given() -> Schema:
    parameters = {"type": "object", "additionalProperties": True}
    return {
        **_object(
            {
                "equipment": {"type": "object", "additionalProperties": parameters},
                "set": {"type": "object", "additionalProperties": _VALUE},
            }
        ),
        "description": "parameters of equipment, and set points, at the start",
    }


def _throughout() -> Schema:
    rows = [_row(verb, verb_.keys) for verb, verb_ in WATCHES.items()]
    return {"type": "array", "items": {"anyOf": rows}, "description": "what has to hold always"}


def _row(verb: str, keys: tuple[str, ...]) -> Schema:
    own = {"at": _TIME, "every": _TIME, "chance": _CHANCE}
    more = {key: _OF_KEY.get(key) or own.get(key) or _TIME for key in keys}
    parts = {verb: _OF_VERB.get(verb, _CONDITION), **more, "text": _TEXT}
    return _object(parts, verb, *_NEEDED.get(verb, []))


def _object(properties: Schema, *required: str) -> Schema:
    return {
        "type": "object",
        "properties": properties,
        "required": list(required),
        "additionalProperties": False,
    }


_ANY_NUMBER: Final[Schema] = {"type": ["number", "string"]}
_DRAW: Final[Schema] = {
    "anyOf": [
        _object({word: {"type": "array", "items": _ANY_NUMBER, "minItems": 2, "maxItems": 2}}, word)
        if count == 2
        else _object({word: {"type": "array", "items": _VALUE, "minItems": 1}}, word)
        if count == 0
        else _object({word: _ANY_NUMBER}, word)
        for word, count in DRAWS.items()
    ]
}


def _drawable(schema: Schema) -> Schema:
    """The same where each plain value may be a draw instead."""
    if schema.get("type") == "object":
        parts = {key: _drawable(part) for key, part in schema.get("properties", {}).items()}
        others = schema.get("additionalProperties", True)
        others = _drawable(others) if isinstance(others, dict) else others
        changed = {**schema, "additionalProperties": others}
        return {**changed, "properties": parts} if parts else changed
    return {"anyOf": [schema, _DRAW]}
