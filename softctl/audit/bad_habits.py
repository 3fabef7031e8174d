"""Requests that are right one by one and wrong as a habit.

Source: Modbus Messaging on TCP/IP V1.0b (MTG); where it is not named, common practice.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence

from softctl.audit.observe import ClientLog, RefusedEvent, WriteEvent
from softctl.audit.refresh import Rhythm
from softctl.audit.scene import MANY, SECOND_NS, Finder, Finding, Scene, Severity
from softctl.audit.uses import span_text
from softctl.modbus.blocks import plan_reads
from softctl.modbus.codes import ExceptionCode
from softctl.values.tables import Table

MAX_OUTSTANDING = 16
"""Transactions that a client may have open at a time (MTG 4.4.1.2: 1 to 16)."""

_NAMES_SHOWN = 4
_BLOCKS = 3
_STORM = 5
_IDLE_NS = 60 * SECOND_NS
_PATIENCE = (0, ExceptionCode.ACKNOWLEDGE, ExceptionCode.SERVER_DEVICE_BUSY)


def _too_fast(scene: Scene) -> Iterator[Finding]:
    """Polls that come faster than the values change."""
    change_ns = scene.map.change_ns
    for stream in scene.log.reads.values():
        pace_ns = stream.median_ns
        if stream.count > MANY and pace_ns < 0.9 * change_ns:
            yield scene.finding(
                "faster than the scan",
                Severity.ADVICE,
                span_text(stream.span),
                f"reads every {pace_ns / 1e6:.1f} ms what changes every {change_ns / 1e6:g} ms "
                "at most",
                "poll no faster than the scan",
                stream.first_ns,
                stream.frame,
                stream.count,
            )


def _too_slow(scene: Scene) -> Iterator[Finding]:
    """Points that are read less often than the machine file asks for."""
    if not scene.is_first:
        return  # told once for a host
    slow: dict[tuple[Rhythm, int], list[str]] = {}
    for point in scene.map.points:
        required_ns = scene.map.required_ns(point)
        rhythm = scene.rhythms.of(scene.map, point)
        if rhythm is None or required_ns is None:
            continue
        if rhythm.is_slow(required_ns) or rhythm.is_late_at_times(required_ns):
            slow.setdefault((rhythm, required_ns), []).append(point.name)
    for (rhythm, required_ns), names in slow.items():
        yield _slow_finding(scene, rhythm, required_ns, names)


def _slow_finding(scene: Scene, rhythm: Rhythm, required_ns: int, names: Sequence[str]) -> Finding:
    first = rhythm.streams[0]
    least, middle, most = (
        f"{ns / SECOND_NS:.2f}" for ns in (rhythm.minimum_ns, rhythm.median_ns, rhythm.p99_ns)
    )
    is_slow = rhythm.is_slow(required_ns)
    return scene.finding(
        "slower than required" if is_slow else "at times slower",
        Severity.WARNING,
        some(names),
        f"reads every {middle} s (least {least} s, 99th percentile {most} s) what has to be "
        f"read every {required_ns / SECOND_NS:g} s",
        "shorten the tag's interval, or the time that the driver needs for a round"
        if is_slow
        else "see what holds the driver up: too many requests in a round, a time-out, retries",
        first.first_ns,
        first.frame,
        rhythm.count + 1,
    )


def _tiny_reads(scene: Scene) -> Iterator[Finding]:
    """Many small reads where blocks would do (MTG: a transaction costs more than its data)."""
    spans = [s.span for s in scene.log.reads.values() if s.count > 1]
    extents: dict[Table, list[tuple[int, int]]] = {}
    for point in scene.map.points:
        table, address, count = scene.map.span(point)
        extents.setdefault(table, []).append((address, count))
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
    """Each request has a number of its own among those that may be open (MTG 4.2)."""
    numbers = scene.log.transactions
    again = sum(
        number in numbers[max(0, at - MAX_OUTSTANDING) : at] for at, number in enumerate(numbers)
    )
    if again < MANY:
        return
    is_constant = len(set(numbers)) == 1
    yield scene.finding(
        "constant transaction id" if is_constant else "transaction ids reused",
        Severity.WARNING,
        "transaction id",
        f"uses the same one in the last {len(numbers)} requests"
        if is_constant
        else f"uses one of the last {MAX_OUTSTANDING} again in {again} of {len(numbers)} requests",
        "count it up: a late reply cannot be told from the next one otherwise",
        scene.log.opened_ns,
        _some_frame(scene.log),
        again,
    )


def _outstanding(scene: Scene) -> Iterator[Finding]:
    """More requests in one go than a client may have open."""
    most = scene.log.most_at_once
    if most > MAX_OUTSTANDING:
        yield scene.finding(
            "too many outstanding",
            Severity.WARNING,
            "pipelining",
            f"sends {most} requests before it has an answer",
            f"keep at most {MAX_OUTSTANDING} open (Modbus Messaging on TCP/IP V1.0b)",
            scene.log.opened_ns,
            _some_frame(scene.log),
            most,
        )


def _retries(scene: Scene) -> Iterator[Finding]:
    """An exception is an answer: the same request gets the same again (MAP section 7).

    Not so 05 and 06, which ask for patience; and what got no answer at all may be tried again.
    """
    again: dict[bytes, list[WriteEvent]] = {}
    for event in scene.log.writes:
        if event.exception is not None:
            again.setdefault(event.frame[2:], []).append(event)
    writes = [(events[0], len(events)) for events in again.values()]
    reads = [(event, event.count) for event in scene.log.refused.values()]
    refused: list[tuple[WriteEvent | RefusedEvent, int]] = [*reads, *writes]
    for one, count in refused:
        if count >= MANY and one.exception not in _PATIENCE:
            yield scene.finding(
                "retries after exceptions",
                Severity.WARNING,
                f"function {one.function:02d}",
                f"repeats what was refused with exception {one.exception:02X}",
                "an exception is a reply, not a lost request: do not repeat it",
                one.at_ns,
                one.frame,
                count,
            )


# Connections


def _storms(scene: Scene) -> Iterator[Finding]:
    """One connection after the other from one host."""
    if not scene.is_first:
        return  # told once for a host
    times = sorted(log.opened_ns for log in scene.siblings)
    busiest = max(bisect_left(times, at + _IDLE_NS) - i for i, at in enumerate(times))
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
    point = scene.map.heartbeat
    polls = any(log.reads for log in scene.siblings)
    many = sum(log.requests for log in scene.siblings) >= MANY
    if point is None or not (scene.is_first and polls and many):
        return
    if not scene.rhythms.streams(scene.map.span(point)):
        yield scene.finding(
            "heartbeat not watched",
            Severity.WARNING,
            point.name,
            "does not read it, so a controller that stands still looks healthy",
            "alarm when HEARTBEAT does not change for a few seconds",
            scene.log.opened_ns,
        )


def _some_frame(log: ClientLog) -> bytes:
    return next(log.frames(), b"")


def some(names: Sequence[str]) -> str:
    """Names for a line: all of a few, else the first ones and how many more."""
    rest = len(names) - _NAMES_SHOWN
    more = f" and {rest} more" if rest > 0 else ""
    return ", ".join(names[:_NAMES_SHOWN]) + more


BAD_HABITS: tuple[Finder, ...] = (
    _too_fast,
    _too_slow,
    _tiny_reads,
    _retries,
    _no_heartbeat,
)

CONNECTION_HABITS: tuple[Finder, ...] = (
    _transactions,
    _outstanding,
    _storms,
    _left_open,
)
"""What is about a connection as a whole, whatever devices answer on it."""
