"""The audit as a record: points with their use, findings, coverage."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from softctl.audit.findings import find, hosts_of
from softctl.audit.observe import ClientLog, Span
from softctl.audit.parts import Part
from softctl.audit.refresh import Rhythms
from softctl.audit.scene import SECOND_NS, Finding, Severity
from softctl.audit.uses import Map, span_text
from softctl.machine import Machine, Point

_NOBODY = "nobody"


@dataclass(frozen=True, slots=True)
class PointUse:
    """How one point is used by one host: intervals in seconds, None where there is none.

    `devices` is on how many devices it is used. With many devices reads and writes add up;
    the intervals are the least, the median of the medians and the longest of the 99th
    percentiles. `verdict` is `used`, `too slow`, `written` (never read) or `never used`.
    """

    point: str
    access: str
    client: str
    devices: int
    reads: int
    writes: int
    function: str
    block: str
    minimum_s: float | None
    median_s: float | None
    p99_s: float | None
    required_s: float | None
    verdict: str

    @property
    def is_used(self) -> bool:
        """Whether somebody read or wrote it."""
        return bool(self.reads or self.writes)


@dataclass(frozen=True, slots=True)
class AuditReport:
    """All of it; `uses` has a row for each point and host that was there.

    `devices` names the devices where there are many, `silent` those that nobody asked.
    `covered` counts the points that somebody used on each device, of `total`.
    """

    machine: str
    seconds: float
    clients: tuple[str, ...]
    requests: int
    uses: tuple[PointUse, ...]
    findings: tuple[Finding, ...]
    dropped: int
    covered: int
    total: int
    devices: tuple[str, ...] = ()
    silent: tuple[str, ...] = ()

    @property
    def used(self) -> list[str]:
        """The points that somebody read or wrote, on whatever device."""
        return list(dict.fromkeys(use.point for use in self.uses if use.is_used))

    @property
    def unused(self) -> list[str]:
        """The points that no screen shows: nobody read or wrote them."""
        used = set(self.used)
        return [name for name in dict.fromkeys(use.point for use in self.uses) if name not in used]

    @property
    def coverage(self) -> float:
        """Points used of all points on the map, over all devices; 0..1."""
        return self.covered / self.total if self.total else 0.0

    @property
    def is_clean(self) -> bool:
        """True without an error or a warning."""
        return all(one.severity is Severity.ADVICE for one in self.findings)


def make_report(
    machine: Machine, logs: Sequence[ClientLog], started_ns: int, ended_ns: int
) -> AuditReport:
    """Grade what the clients of an HMI map did between two instants."""
    return add_up(machine, [Part("", Map(machine), logs)], logs, started_ns, ended_ns)


def add_up(
    machine: Machine,
    parts: Sequence[Part],
    logs: Sequence[ClientLog],
    started_ns: int,
    ended_ns: int,
) -> AuditReport:
    """The same over many devices; `logs` are all connections, whole."""
    devices = [part for part in parts if part.has_points]
    used = [list(_uses(part)) for part in devices]
    hosts = list(hosts_of([log for part in devices for log in part.logs])) or [_NOBODY]
    by_host: dict[tuple[str, str], list[PointUse]] = {}
    for uses in used:
        for use in uses:
            by_host.setdefault((use.client, use.point), []).append(use)
    points = list(dict.fromkeys(point.name for part in devices for point in part.map.points))
    rows = ((host, name) for host in hosts for name in points)
    return AuditReport(
        machine=machine.name,
        seconds=(ended_ns - started_ns) / SECOND_NS,
        clients=tuple(log.name for log in logs),
        requests=sum(log.requests for log in logs),
        uses=tuple(_joined(by_host[row]) for row in rows if row in by_host),
        findings=tuple(find(parts, started_ns, ended_ns)),
        dropped=sum(log.dropped for log in logs),
        covered=sum(len({use.point for use in uses if use.is_used}) for uses in used),
        total=sum(len(part.map.points) for part in devices),
        devices=tuple(part.device for part in devices if part.device),
        silent=tuple(part.device for part in devices if part.device and not part.logs),
    )


def _uses(part: Part) -> Iterator[PointUse]:
    """A row for each point and host of one device."""
    for host, logs in (hosts_of(part.logs) or {_NOBODY: []}).items():
        rhythms = Rhythms(logs)
        writes = _writes(part.map, logs)
        for point in part.map.points:
            yield _use(part.map, point, host, rhythms, writes.get(point.name, 0))


def _writes(map_: Map, logs: Sequence[ClientLog]) -> dict[str, int]:
    """How often each point was written, half values not counted."""
    found: dict[str, int] = {}
    touched: dict[Span, list[Point]] = {}
    for log in logs:
        for event in log.writes:
            if event.exception is not None:
                continue
            if event.span not in touched:
                touched[event.span] = map_.touched(event.span)
            for point in touched[event.span]:
                found[point.name] = found.get(point.name, 0) + 1
    return found


def _use(map_: Map, point: Point, host: str, rhythms: Rhythms, writes: int) -> PointUse:
    streams = rhythms.streams(map_.span(point))
    rhythm = rhythms.of(map_, point)
    required_ns = map_.required_ns(point)
    if not streams:
        verdict = "written" if writes else "never used"
    else:
        is_slow = bool(rhythm and required_ns and rhythm.is_slow(required_ns))
        verdict = "too slow" if is_slow else "used"
    return PointUse(
        point=point.name,
        access="write" if map_.is_written(point) else "read",
        client=host,
        devices=int(bool(streams or writes)),
        reads=sum(stream.count for stream in streams),
        writes=writes,
        function=f"{streams[0].function:02d}" if streams else "",
        block=span_text(streams[0].span) if streams else "",
        minimum_s=rhythm.minimum_ns / SECOND_NS if rhythm else None,
        median_s=rhythm.median_ns / SECOND_NS if rhythm else None,
        p99_s=rhythm.p99_ns / SECOND_NS if rhythm else None,
        required_s=required_ns / SECOND_NS if required_ns else None,
        verdict=verdict,
    )


_WORST_FIRST = ("too slow", "used", "written", "never used")


def _joined(uses: Sequence[PointUse]) -> PointUse:
    """The use of one point by one host over all devices."""
    if len(uses) == 1:
        return uses[0]
    asked = max(uses, key=lambda use: use.reads)
    least, middle, most = (
        [value for use in uses if (value := getattr(use, name)) is not None]
        for name in ("minimum_s", "median_s", "p99_s")
    )
    return PointUse(
        point=asked.point,
        access=asked.access,
        client=asked.client,
        devices=sum(use.devices for use in uses),
        reads=sum(use.reads for use in uses),
        writes=sum(use.writes for use in uses),
        function=asked.function,
        block=asked.block,
        minimum_s=min(least, default=None),
        median_s=median(middle) if middle else None,
        p99_s=max(most, default=None),
        required_s=asked.required_s,
        verdict=min((use.verdict for use in uses), key=_WORST_FIRST.index),
    )
