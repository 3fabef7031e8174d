"""All findings about all clients."""

from __future__ import annotations

from collections.abc import Sequence

from softctl.audit.bad_habits import BAD_HABITS
from softctl.audit.observe import ClientLog
from softctl.audit.scene import Finding, Scene, Severity
from softctl.audit.uses import Map
from softctl.audit.wrong_requests import WRONG_REQUESTS

FINDERS = (*WRONG_REQUESTS, *BAD_HABITS)


def find(map_: Map, logs: Sequence[ClientLog], started_ns: int, ended_ns: int) -> list[Finding]:
    """Every finding about every client, the gravest first; the same one of a host once."""
    found: dict[tuple[str, str, str], Finding] = {}
    for log in logs:
        siblings = [other for other in logs if other.host == log.host]
        scene = Scene(map_, log, siblings, started_ns, ended_ns)
        for finder in FINDERS:
            for finding in finder(scene):
                found.setdefault((finding.kind, log.host, finding.subject), finding)
    order = list(Severity)
    return sorted(found.values(), key=lambda one: (order.index(one.severity), one.at_s))
