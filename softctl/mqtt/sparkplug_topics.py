"""The topics of Sparkplug B 3.0 and the payload of STATE."""

from __future__ import annotations

import json
from dataclasses import dataclass

from softctl.machine import SparkplugNames

NAMESPACE = "spBv1.0"


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of one edge node with one device."""

    names: SparkplugNames

    def node(self, kind: str) -> str:
        """Such as NBIRTH."""
        return f"{NAMESPACE}/{self.names.group}/{kind}/{self.names.node}"

    def device(self, kind: str) -> str:
        """Such as DBIRTH."""
        return f"{self.node(kind)}/{self.names.device}"

    @property
    def state(self) -> str:
        """Where the primary host application tells whether it is online."""
        return f"{NAMESPACE}/STATE/{self.names.primary_host}"


@dataclass(frozen=True, slots=True)
class HostState:
    """What a host application says of itself."""

    is_online: bool
    at_ms: int


def read_state(payload: bytes) -> HostState | None:
    """The payload of STATE, None for anything else."""
    try:
        body = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(body, dict):
        return None
    online, at_ms = body.get("online"), body.get("timestamp")
    if not isinstance(online, bool) or isinstance(at_ms, bool) or not isinstance(at_ms, int):
        return None
    return HostState(online, at_ms)
