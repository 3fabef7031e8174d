"""A plan of drills as people write it: which, in which order, for how long."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from softctl.audit.drills import DRILLS, Drill
from softctl.errors import Problem, ProblemsError
from softctl.machine.document import Entry, describe, read_document
from softctl.machine.fields import SCHEMA_DIALECT
from softctl.machine.reader import in_file_order
from softctl.values.names import suggest
from softctl.values.units import parse_duration

_SHORTEST_NS, _LONGEST_NS = 100_000_000, 3_600_000_000_000
_BY_NAME = {drill.name: drill for drill in DRILLS}


def parse_drill_plan(text: str, file: str) -> list[Drill]:
    """The drills of a plan file; raises ProblemsError with every error.

    The file holds `drills:`, a list of names, or of mappings with `drill` and `for`.
    """
    problems: list[Problem] = []
    document = read_document(text, file, problems, "'drills:'")
    entry = document.child("drills")
    for key, place in document.keys.items():
        if key != "drills":
            problems.append(Problem(f"expected the key 'drills', got '{key}'", place))
    found: list[Drill] = []
    if entry is None or not isinstance(entry.value, tuple) or not entry.value:
        place = document.place if entry is None else entry.place
        got = "nothing" if entry is None else describe(entry.value)
        problems.append(
            Problem(f"expected 'drills' with a list such as [cut, delay], got {got}", place)
        )
    else:
        for item in entry.value:
            found += _drill(item, problems)
    if problems:
        raise ProblemsError(in_file_order(problems, text))
    return found


def _drill(item: Entry, problems: list[Problem]) -> Iterator[Drill]:
    if not isinstance(item.value, dict):
        yield from _named(item, problems)
        return
    for key, place in item.keys.items():
        if key not in ("drill", "for"):
            message = f"expected a key among drill, for; got '{key}'"
            problems.append(Problem(message, place, hint=suggest(key, ("drill", "for"))))
    name, time = item.child("drill"), item.child("for")
    if name is None:
        problems.append(Problem("expected the key 'drill', got none", item.place))
        return
    for drill in _named(name, problems):
        lasts_ns = drill.lasts_ns if time is None else _duration(time, problems)
        yield replace(drill, lasts_ns=lasts_ns)


def _named(entry: Entry, problems: list[Problem]) -> Iterator[Drill]:
    drill = _BY_NAME.get(entry.value) if isinstance(entry.value, str) else None
    if drill is not None:
        yield drill
        return
    hint = suggest(entry.value, _BY_NAME) if isinstance(entry.value, str) else ""
    message = f"expected a drill among {', '.join(_BY_NAME)}; got {describe(entry.value)}"
    problems.append(Problem(message, entry.place, hint=hint))


def _duration(entry: Entry, problems: list[Problem]) -> int:
    try:
        lasts_ns = parse_duration(str(entry.value))
    except ValueError:
        lasts_ns = 0
    if not _SHORTEST_NS <= lasts_ns <= _LONGEST_NS:
        message = f"expected a time from '100 ms' to '3600 s', got {describe(entry.value)}"
        problems.append(Problem(message, entry.place))
    return lasts_ns


def drill_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a plan of drills, for editors."""
    name = {"enum": list(_BY_NAME)}
    timed = {
        "type": "object",
        "properties": {"drill": name, "for": {"type": "string", "examples": ["20 s"]}},
        "required": ["drill"],
        "additionalProperties": False,
    }
    drills = {"type": "array", "items": {"anyOf": [name, timed]}, "minItems": 1}
    return {
        "$schema": SCHEMA_DIALECT,
        "type": "object",
        "properties": {"drills": {**drills, "description": "which, in which order"}},
        "required": ["drills"],
        "additionalProperties": False,
    }
