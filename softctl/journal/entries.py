"""What a journal holds, and the tables it lies in."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field

SCHEMA = """
CREATE TABLE IF NOT EXISTS entries (
    id INTEGER PRIMARY KEY,
    wall_ns INTEGER NOT NULL,
    machine_ns INTEGER NOT NULL,
    kind TEXT NOT NULL,
    name TEXT NOT NULL,
    what TEXT NOT NULL,
    source TEXT NOT NULL,
    details TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS entries_by_time ON entries (wall_ns);
CREATE TABLE IF NOT EXISTS samples (
    id INTEGER PRIMARY KEY,
    wall_ns INTEGER NOT NULL,
    machine_ns INTEGER NOT NULL,
    point TEXT NOT NULL,
    value NOT NULL
);
CREATE INDEX IF NOT EXISTS samples_by_point ON samples (point, wall_ns);
CREATE TABLE IF NOT EXISTS spooled (id INTEGER PRIMARY KEY CHECK (id = 1), number INTEGER);
INSERT OR IGNORE INTO spooled VALUES (1, 0);
"""

KINDS = ("alarm", "guard", "command", "setpoint", "force", "fault", "run", "link", "journal")
"""What an entry is about."""

Cell = str | int | float | bool


@dataclass(frozen=True, slots=True)
class Entry:
    """One event: when (UTC and machine time), about what, what happened, by whose doing."""

    wall_ns: int
    machine_ns: int
    kind: str
    name: str
    what: str
    source: str = ""
    details: Mapping[str, object] = field(default_factory=dict)

    def row(self) -> tuple[object, ...]:
        """As the entries table takes it."""
        details = json.dumps(self.details, separators=(",", ":"), default=str)
        head = (self.wall_ns, self.machine_ns, self.kind, self.name, self.what)
        return (*head, self.source, details)


@dataclass(frozen=True, slots=True)
class Sample:
    """The value of a point at an instant."""

    wall_ns: int
    machine_ns: int
    point: str
    value: Cell

    def row(self) -> tuple[object, ...]:
        """As the samples table takes it."""
        return (self.wall_ns, self.machine_ns, self.point, self.value)
