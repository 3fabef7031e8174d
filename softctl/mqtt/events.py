"""What happened at a controller, as it is published."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache


@dataclass(frozen=True, slots=True)
class Event:
    """One event. `id` is its own for ever: whoever gets it twice can tell.

    `number` counts without a gap within one run of the controller, so that a lost event
    shows. `at_ms` is UTC in milliseconds since 1970.
    """

    id: str
    number: int
    at_ms: int
    kind: str
    name: str
    what: str
    by: str = ""
    details: Mapping[str, object] = field(default_factory=dict)

    def body(self) -> dict[str, object]:
        """As JSON has it."""
        return {
            "id": self.id,
            "number": self.number,
            "time": iso_time(self.at_ms),
            "kind": self.kind,
            "name": self.name,
            "what": self.what,
            "by": self.by,
            "details": dict(self.details),
        }


@lru_cache(maxsize=64)
def iso_time(at_ms: int) -> str:
    """UTC as ISO 8601 has it, to the millisecond."""
    seconds, rest = divmod(at_ms, 1_000)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{rest:03d}Z"


def to_json(body: object) -> bytes:
    """Compact JSON; what has no JSON form of its own becomes text."""
    return json.dumps(body, separators=(",", ":"), ensure_ascii=False, default=str).encode()
