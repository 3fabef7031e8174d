"""What a client's JSON request says.

BASE/set/NAME   true, 20, "text", or {"value": 20, "id": "17"}
BASE/set        {"values": {"CODE": 2, "NUMBER": 8}, "id": "17"}: written in this order
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field

from softctl.mqtt.requests import RefusedError, Request, read_id
from softctl.mqtt.session import Incoming


@dataclass(slots=True)
class Parts:
    """A request as far as it could be read, for whoever answers it."""

    name: str = ""
    """The point in the topic, empty for a request about several."""

    id: str = ""
    wanted: list[tuple[str, object]] = field(default_factory=list)
    response_topic: str = ""
    correlation: bytes | None = None

    @classmethod
    def at(cls, incoming: Incoming, topic: str) -> Parts:
        """Those that are not in the payload; `topic` is the one of requests."""
        name = incoming.topic.removeprefix(topic).removeprefix("/")
        wanted: list[tuple[str, object]] = [(name, None)] if name else []
        return cls(name, "", wanted, incoming.response_topic, incoming.correlation)

    @classmethod
    def of(cls, request: Request) -> Parts:
        """Those of a request that was read before."""
        wanted: list[tuple[str, object]] = [(name, None) for name in request.names]
        return cls("", request.id, wanted, request.response_topic, request.correlation)

    @property
    def names(self) -> list[str]:
        """The points it is about."""
        return [name for name, _ in self.wanted]

    def read(self, payload: bytes) -> None:
        """Read the payload; raises RefusedError."""
        try:
            body = json.loads(payload)
        except (ValueError, RecursionError):
            raise RefusedError('expected JSON such as true or {"value": 20}') from None
        if isinstance(body, dict):
            self.id = read_id(body.get("id"))
        self.wanted = [(self.name, _one(body))] if self.name else _several(body)


def _one(body: object) -> object:
    if not isinstance(body, dict):
        return body
    if "value" not in body or not set(body) <= {"value", "id"}:
        raise RefusedError('expected a value, or {"value": …, "id": …}')
    return body["value"]


def _several(body: object) -> list[tuple[str, object]]:
    if isinstance(body, dict) and set(body) <= {"values", "id"}:
        values = body.get("values")
        if isinstance(values, dict):
            return list(values.items())
    raise RefusedError('expected {"values": {NAME: …}, "id": …}')
