"""The audit as a record: points with their use, findings, coverage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from softctl.audit.findings import find
from softctl.audit.observe import ClientLog, ReadStream
from softctl.audit.scene import Finding, Severity
from softctl.audit.uses import Map, span_text
from softctl.machine import Machine, Point

_SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class PointUse:
    """How one point is used by one host: intervals in seconds, None where there is none."""

    point: str
    access: str
    client: str
    reads: int
    writes: int
    function: str
    block: str
    minimum_s: float | None
    median_s: float | None
    p99_s: float | None
    required_s: float | None

    @property
    def verdict(self) -> str:
        """Used as it should be, too slowly, or not at all."""
        if not self.reads and not self.writes:
            return "never used"
        if self.reads and self.required_s and self.median_s and self.median_s > self.required_s:
            return "too slow"
        return "used"


@dataclass(frozen=True, slots=True)
class AuditReport:
    """All of it; `uses` has a row for each point and host that was there."""

    machine: str
    seconds: float
    clients: tuple[str, ...]
    requests: int
    uses: tuple[PointUse, ...]
    findings: tuple[Finding, ...]
    dropped: int

    @property
    def used(self) -> list[str]:
        """The points that somebody read or wrote."""
        seen = dict.fromkeys(use.point for use in self.uses if use.reads or use.writes)
        return list(seen)

    @property
    def unused(self) -> list[str]:
        """The points that no screen shows: nobody read or wrote them."""
        used = set(self.used)
        return [name for name in dict.fromkeys(use.point for use in self.uses) if name not in used]

    @property
    def coverage(self) -> float:
        """Points used of all points on the map, 0..1."""
        count = len(self.used) + len(self.unused)
        return len(self.used) / count if count else 0.0

    @property
    def is_clean(self) -> bool:
        """True without an error or a warning."""
        return all(one.severity is Severity.ADVICE for one in self.findings)


def make_report(
    machine: Machine, logs: Sequence[ClientLog], started_ns: int, ended_ns: int
) -> AuditReport:
    """Grade what the clients did between two instants."""
    map_ = Map(machine)
    hosts: dict[str, list[ClientLog]] = {}
    for log in logs:
        hosts.setdefault(log.host, []).append(log)
    uses = [
        _use(map_, point, host, of_host)
        for host, of_host in (hosts or {"nobody": []}).items()
        for point in map_.points
    ]
    return AuditReport(
        machine=machine.name,
        seconds=(ended_ns - started_ns) / _SECOND_NS,
        clients=tuple(log.name for log in logs),
        requests=sum(log.requests for log in logs),
        uses=tuple(uses),
        findings=tuple(find(map_, logs, started_ns, ended_ns)),
        dropped=sum(log.dropped for log in logs),
    )


def _use(map_: Map, point: Point, host: str, logs: Sequence[ClientLog]) -> PointUse:
    place = point.hmi
    assert place is not None
    streams = [
        stream
        for log in logs
        for stream in log.reads.values()
        if stream.span[0] is place.table
        and stream.span[1] <= place.address
        and place.end <= stream.span[1] + stream.span[2]
    ]
    writes = sum(
        event.exception == 0
        and event.table is place.table
        and event.address < place.end
        and place.address < event.address + len(event.data) // (1 if event.table.is_bits else 2)
        for log in logs
        for event in log.writes
    )
    best = max(streams, key=lambda stream: stream.count, default=None)
    refresh_ns = map_.machine.hmi.refresh_ns
    return PointUse(
        point=point.name,
        access="write" if point.role.is_written_by_hmi else "read",
        client=host,
        reads=sum(stream.count for stream in streams),
        writes=writes,
        function=f"{best.function:02d}" if best else "",
        block=span_text(best.span) if best else "",
        required_s=refresh_ns / _SECOND_NS if refresh_ns else None,
        **_intervals(best),
    )


def _intervals(stream: ReadStream | None) -> dict[str, float | None]:
    if stream is None or not stream.intervals:
        return {"minimum_s": None, "median_s": None, "p99_s": None}
    ordered = sorted(stream.intervals)
    return {
        "minimum_s": ordered[0] / _SECOND_NS,
        "median_s": median(ordered) / _SECOND_NS,
        "p99_s": ordered[min(len(ordered) - 1, int(0.99 * len(ordered)))] / _SECOND_NS,
    }
