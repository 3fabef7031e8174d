"""The JSON Schema of a file of wire faults, for editors."""

from __future__ import annotations

from typing import Any

from softctl.machine.fields import SCHEMA_DIALECT
from softctl.wire.parse import SERVERS, FileSection
from softctl.wire.sections import EFFECTS, FaultSection


def wire_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a file of wire faults.

    Points, and times that have to follow each other, are checked by `parse_wire_faults`.
    """
    faults = [_fault(effect, model) for effect, model in EFFECTS.items()]
    server = {"type": "object", "additionalProperties": {"anyOf": faults}}
    head = FileSection.model_json_schema()
    properties = head["properties"] | {
        name: {**server, "description": f"faults of the {name} server, by name"} for name in SERVERS
    }
    return {"$schema": SCHEMA_DIALECT, **head, "title": "Wire faults", "properties": properties}


def _fault(effect: str, model: type[FaultSection]) -> dict[str, Any]:
    schema = model.model_json_schema()
    schema["properties"]["effect"] = {"enum": [effect], "description": model.__doc__}
    return schema
