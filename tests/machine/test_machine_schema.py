"""The JSON Schema that editors use."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from demo_file import DEMO, edited
from ruamel.yaml import YAML

from softctl.machine import machine_schema

SCHEMA = machine_schema()
TYPES: dict[str, type | tuple[type, ...]] = {
    "object": dict,
    "array": list,
    "string": str,
    "integer": int,
    "number": (int, float),
    "boolean": bool,
    "null": type(None),
}


def accepts(schema: dict[str, Any], value: Any) -> bool:
    """A plain reading of the keywords of JSON Schema (draft 2020-12) that are used."""
    if "$ref" in schema:
        return accepts(SCHEMA["$defs"][schema["$ref"].removeprefix("#/$defs/")], value)
    if "anyOf" in schema:
        return any(accepts(one, value) for one in schema["anyOf"])
    if "enum" in schema:
        return value in schema["enum"]
    types = schema.get("type", [])
    if types and not any(
        is_type(value, one) for one in ([types] if isinstance(types, str) else types)
    ):
        return False
    if isinstance(value, dict):
        return accepts_object(schema, value)
    if isinstance(value, list):
        inside = schema.get("minItems", 0) <= len(value) <= schema.get("maxItems", len(value))
        return inside and all(accepts(schema.get("items", {}), item) for item in value)
    if isinstance(value, str):
        return re.search(schema.get("pattern", ""), value) is not None
    if is_type(value, "number"):
        return bool(schema.get("minimum", value) <= value <= schema.get("maximum", value))
    return True


def is_type(value: Any, name: str) -> bool:
    if isinstance(value, bool):
        return name == "boolean"
    return isinstance(value, TYPES[name])


def accepts_object(schema: dict[str, Any], value: dict[str, Any]) -> bool:
    properties = schema.get("properties", {})
    others = schema.get("additionalProperties", True)
    if not all(key in value for key in schema.get("required", [])):
        return False
    for key, item in value.items():
        if key in properties:
            if not accepts(properties[key], item):
                return False
        elif others is False or (isinstance(others, dict) and not accepts(others, item)):
            return False
    return True


def read(text: str) -> Any:
    return YAML(typ="safe", pure=True).load(text)


def test_the_demo_passes() -> None:
    """An editor finds nothing wrong with the demo."""
    assert accepts(SCHEMA, read(DEMO))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("programs: [feed.st]", "programs: []\nextra: 1"),
        ("programs: [feed.st]\n", ""),
        ("programs: [feed.st]", "programs: [feed.txt]"),
        ("kind: analog input", "kind: analogue input"),
        ("word_order: CDAB", "word_order: CBAD"),
        ("port: 15021", "port: 70000"),
        ("port: 15021, unit: 1", "port: 15021, unit: '1'"),
        ("    true_when: open", "    true_when: maybe"),
        ("RUNNING: {role: state", "RUNNING: {role: status"),
        ("type: UDINT", "type: STRING"),
        ("range: [5 s, 900 s]", "range: [5 s]"),
        ("    type: header\n", ""),
        ("raw: [4000, 20000]", "raw: [4000, 99999]"),
    ],
)
def test_mistakes_of_shape_are_seen(old: str, new: str) -> None:
    """An editor marks wrong words, missing keys, unknown keys and wrong shapes."""
    assert not accepts(SCHEMA, read(edited((old, new))))


def test_the_schema_is_json_with_descriptions() -> None:
    """Every key of the file is described, and the whole is plain JSON."""
    assert json.loads(json.dumps(SCHEMA)) == SCHEMA
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    for name, definition in SCHEMA["$defs"].items():
        for key, field in definition["properties"].items():
            if key != "role":
                assert field.get("description"), f"{name}.{key}"
