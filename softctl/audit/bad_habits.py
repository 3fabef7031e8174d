"""Requests that are right one by one and wrong as a habit.

Source: Modbus Messaging on TCP/IP V1.0b (MTG); where it is not named, common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from statistics import median

from softctl.audit.observe import ClientLog
from softctl.audit.scene import MANY, SECOND_NS, Finder, Finding, Scene, Severity
from softctl.audit.uses import span_text
from softctl.modbus.blocks import plan_reads
from softctl.values.tables import Table

MAX_OUTSTANDING = 16
"""Transactions that a client may have open at a time (MTG 4.4.1.2: 1 to 16)."""

_FEW = 3
_BLOCKS = 3
_STORM = 5
_IDLE_NS = 60 * SECOND_NS


def _too_fast(scene: Scene) -> Iterator[Finding]:
    """Polls that come faster than the values change."""
    scan_ns = scene.map.machine.scan_ns
    for stream in scene.log.reads.values():
        if len(stream.intervals) >= MANY and median(stream.intervals) < 0.9 * scan_ns:
            pace = median(stream.intervals) / 1e6
            yield scene.finding(
                "faster than the scan",
                Severity.ADVICE,
                span_text(stream.span),
                f"reads every {pace:.1f} ms what changes every {scan_ns / 1e6:g} ms at most",
                "poll no faster than the scan",
                stream.first_ns,
                stream.frame,
                stream.count,
            )


def _too_slow(scene: Scene) -> Iterator[Finding]:
    """Reads that come less often than the machine file asks for."""
    required_ns = scene.map.machine.hmi.refresh_ns
    if required_ns is None:
        return
    for stream in scene.log.reads.values():
        if len(stream.intervals) >= _FEW and median(stream.intervals) > 1.1 * required_ns:
            pace = median(stream.intervals) / SECOND_NS
            yield scene.finding(
                "slower than required",
                Severity.WARNING,
                span_text(stream.span),
                f"reads every {pace:.2f} s what has to be read every {required_ns / 1e9:g} s",
                "shorten the tag's interval, or the time that the driver needs for a round",
                stream.first_ns,
                stream.frame,
                stream.count,
            )


def _tiny_reads(scene: Scene) -> Iterator[Finding]:
    """Many small reads where blocks would do (MTG: a transaction costs more than its data)."""
    spans = [s.span for s in scene.log.reads.values() if s.count > 1]
    extents: dict[Table, list[tuple[int, int]]] = {}
    for point in scene.map.points:
        if point.hmi is not None:
            extents.setdefault(point.hmi.table, []).append((point.hmi.address, point.hmi.count))
    spans = [span for span in spans if scene.map.holds(span)]
    if not spans:
        return
    needed = len(plan_reads(spans, extents))
    if len(spans) >= MANY and len(spans) > _BLOCKS * needed:
        first = next(iter(scene.log.reads.values()))
        yield scene.finding(
            "many small reads",
            Severity.ADVICE,
            f"{len(spans)} reads",
            f"polls with {len(spans)} requests what {needed} would fetch",
            "let the HMI's driver join neighbouring tags into blocks",
            first.first_ns,
            first.frame,
            len(spans),
        )


def _transactions(scene: Scene) -> Iterator[Finding]:
    """Each request has a transaction id of its own (MTG 4.2)."""
    log = scene.log
    if log.requests >= MANY and log.same_transactions > 0.5 * (log.requests - 1):
        yield scene.finding(
            "constant transaction id",
            Severity.WARNING,
            "transaction id",
            f"uses the same one in {log.same_transactions + 1} of {log.requests} requests",
            "count it up: a late reply cannot be told from the next one otherwise",
            log.opened_ns,
            _some_frame(log),
            log.same_transactions,
        )


def _outstanding(scene: Scene) -> Iterator[Finding]:
    """More requests in one go than a client may have open."""
    if scene.log.deepest > MAX_OUTSTANDING:
        yield scene.finding(
            "too many outstanding",
            Severity.WARNING,
            "pipelining",
            f"sends {scene.log.deepest} requests before it has an answer",
            f"keep at most {MAX_OUTSTANDING} open (Modbus Messaging on TCP/IP V1.0b)",
            scene.log.opened_ns,
            _some_frame(scene.log),
            scene.log.deepest,
        )


def _retries(scene: Scene) -> Iterator[Finding]:
    """An exception is an answer: the same request gets the same again."""
    for event in scene.log.refused.values():
        if event.count >= MANY:
            yield scene.finding(
                "retries after exceptions",
                Severity.WARNING,
                f"function {event.function:02d}",
                f"repeats what was refused with exception {event.exception:02X}",
                "an exception is a reply, not a lost request: do not repeat it",
                event.at_ns,
                event.frame,
                event.count,
            )


# Connections


def _storms(scene: Scene) -> Iterator[Finding]:
    """One connection after the other from one host."""
    times = sorted(log.opened_ns for log in scene.siblings)
    if scene.log.opened_ns != times[0]:
        return  # told once for a host
    busiest = max(sum(1 for other in times if 0 <= other - at < _IDLE_NS) for at in times)
    if busiest > _STORM:
        yield scene.finding(
            "reconnect storm",
            Severity.WARNING,
            scene.log.host,
            f"connected {busiest} times within a minute",
            "keep one connection open (Modbus Messaging on TCP/IP V1.0b, section 4.2)",
            times[0],
            count=busiest,
        )


def _left_open(scene: Scene) -> Iterator[Finding]:
    """A connection that nobody uses any more."""
    log = scene.log
    since_ns = max(log.last_ns, log.opened_ns)
    idle_s = (scene.ended_ns - since_ns) / SECOND_NS
    if log.closed_ns is None and scene.ended_ns - since_ns > _IDLE_NS:
        yield scene.finding(
            "connection left open",
            Severity.WARNING,
            log.name,
            f"has kept it open without a request for {idle_s:.0f} s",
            "close what is not used: a server has room for so many",
            since_ns,
        )


def _no_heartbeat(scene: Scene) -> Iterator[Finding]:
    """Nobody can notice a controller that stands still without looking at HEARTBEAT."""
    if scene.log.requests < MANY or not scene.log.reads:
        return
    point = scene.map.machine.points["HEARTBEAT"]
    watched = {p.name for s in scene.log.reads.values() for p in scene.map.touched(s.span)}
    if point.name not in watched:
        yield scene.finding(
            "heartbeat not watched",
            Severity.WARNING,
            point.name,
            "does not read it, so a controller that stands still looks healthy",
            "alarm when HEARTBEAT does not change for a few seconds",
            scene.log.opened_ns,
        )


def _some_frame(log: ClientLog) -> bytes:
    return next((stream.frame for stream in log.reads.values()), b"")


BAD_HABITS: tuple[Finder, ...] = (
    _too_fast,
    _too_slow,
    _tiny_reads,
    _transactions,
    _outstanding,
    _retries,
    _storms,
    _left_open,
    _no_heartbeat,
)
