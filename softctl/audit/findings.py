"""All findings about all clients."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from softctl.audit.bad_habits import BAD_HABITS, CONNECTION_HABITS
from softctl.audit.observe import ClientLog
from softctl.audit.parts import Part
from softctl.audit.refresh import Rhythms
from softctl.audit.scene import SECOND_NS, Finding, Scene, Severity
from softctl.audit.wrong_requests import WRONG_REQUESTS

FINDERS = (*WRONG_REQUESTS, *BAD_HABITS, *CONNECTION_HABITS)

_EVERYBODY = "no client"


def find(parts: Sequence[Part], started_ns: int, ended_ns: int) -> list[Finding]:
    """Every finding about every client, the gravest first.

    The same one of a host is told once, with all the devices on which it was found.
    """
    found: dict[tuple[str, str, str], Finding] = {}
    for part in parts:
        for host, finding in _of_part(part, started_ns, ended_ns):
            key = (finding.kind, host, finding.subject)
            known = found.get(key)
            found[key] = finding if known is None else _joined(known, finding)
    order = list(Severity)
    return sorted(found.values(), key=lambda one: (order.index(one.severity), one.at_s))


def _of_part(part: Part, started_ns: int, ended_ns: int) -> Iterator[tuple[str, Finding]]:
    """The findings about one device with their hosts, each once for a host."""
    told: set[tuple[str, str, str]] = set()
    finders = FINDERS if part.has_connections else (*WRONG_REQUESTS, *BAD_HABITS)
    devices = (part.device,) if part.device else ()
    by_host = hosts_of(part.logs)
    for host, logs in by_host.items():
        rhythms = Rhythms(logs)
        for log in logs:
            scene = Scene(part.map, log, logs, rhythms, started_ns, ended_ns)
            for finder in finders:
                for finding in finder(scene):
                    key = (finding.kind, host, finding.subject)
                    if key not in told:
                        told.add(key)
                        yield host, replace(finding, devices=devices)
    if part.has_points:
        for finding in _never_read(part, [Rhythms(logs) for logs in by_host.values()]):
            yield "", replace(finding, devices=devices)


def _never_read(part: Part, rhythms: Sequence[Rhythms]) -> Iterator[Finding]:
    """Points with a `refresh` of their own that no client read, though there were some."""
    if not any(log.reads for log in part.logs):
        return
    for point in part.map.points:
        required_ns = point.refresh_ns if part.map.required_ns(point) else None
        span = part.map.span(point)
        if required_ns is None or any(one.streams(span) for one in rhythms):
            continue
        yield Finding(
            kind="never read",
            severity=Severity.WARNING,
            client=_EVERYBODY,
            subject=point.name,
            message=f"reads it, and it has to be read every {required_ns / SECOND_NS:g} s",
            advice="give it a tag, and a screen that shows it",
            at_s=0.0,
            frame="",
        )


def _joined(known: Finding, other: Finding) -> Finding:
    """The same on more devices: the evidence is the first, the numbers add up."""
    first = known if known.at_s <= other.at_s else other
    return replace(first, devices=known.devices + other.devices, count=known.count + other.count)


def hosts_of(logs: Sequence[ClientLog]) -> dict[str, list[ClientLog]]:
    """The connections of each host, in the order in which they were opened."""
    found: dict[str, list[ClientLog]] = {}
    for log in sorted(logs, key=lambda log: log.opened_ns):
        found.setdefault(log.host, []).append(log)
    return found
