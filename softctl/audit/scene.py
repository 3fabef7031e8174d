"""What a finder looks at, and what it finds.

Evidence is the time since the audit began and a whole frame in hex.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum

from softctl.audit.observe import ClientLog
from softctl.audit.refresh import Rhythms
from softctl.audit.uses import Map

SECOND_NS = 1_000_000_000
MANY = 5
"""So many of the same are a habit."""


class Severity(Enum):
    """ERROR shows or does something wrong; WARNING will one day; ADVICE costs only time."""

    ERROR = "error"
    WARNING = "warning"
    ADVICE = "advice"


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding about one client: what, about what, the evidence and what to do.

    `devices` names those on which it was found, where there are many.
    """

    kind: str
    severity: Severity
    client: str
    subject: str
    message: str
    advice: str
    at_s: float
    frame: str
    count: int = 1
    devices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Scene:
    """All that a finder may look at: the map, one client, those of its host, the times.

    `siblings` are all connections of the host in their order, `rhythms` those of its reads.
    """

    map: Map
    log: ClientLog
    siblings: Sequence[ClientLog]
    rhythms: Rhythms
    started_ns: int
    ended_ns: int

    @property
    def is_first(self) -> bool:
        """True for the first connection of its host: what is told once for a host."""
        return self.log is self.siblings[0]

    def finding(
        self,
        kind: str,
        severity: Severity,
        subject: str,
        message: str,
        advice: str,
        at_ns: int,
        frame: bytes = b"",
        count: int = 1,
    ) -> Finding:
        """A finding about this client, with its time since the audit began."""
        at_s = max(0, at_ns - self.started_ns) / SECOND_NS
        client = self.log.name
        return Finding(
            kind, severity, client, subject, message, advice, at_s, frame.hex(" "), count
        )


Finder = Callable[[Scene], Iterator[Finding]]
