"""Requests that are wrong: addresses, functions, units, values.

Source: Modbus Application Protocol V1.1b3 (MAP).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from softctl.audit.observe import ClientLog, Span, WriteEvent
from softctl.audit.scene import MANY, SECOND_NS, Finder, Finding, Scene, Severity
from softctl.audit.uses import Map, address_text, span_text
from softctl.audit.written import bit_of, explain_refused, suspect_taken
from softctl.machine import Point, Role
from softctl.values.tables import Table

_HELD_NS = 10 * SECOND_NS
_STILL_NS = 5 * SECOND_NS


def _outside_map(scene: Scene) -> Iterator[Finding]:
    """Refused with 02 (MAP section 7), with the point that was probably meant."""
    for event in scene.log.refused.values():
        if event.exception != 2 or event.span is None:
            continue
        kind, advice = _explain_outside(scene.map, event.span)
        yield scene.finding(
            kind,
            Severity.ERROR,
            span_text(event.span),
            f"asks, with function {event.function:02d}, for addresses that are not on the map",
            advice,
            event.at_ns,
            event.frame,
            event.count,
        )


def _explain_outside(map_: Map, span: Span) -> tuple[str, str]:
    """Which mistake it looks like, and what to do about it."""
    meant = _one_place_off(map_, span)
    if meant is not None:
        return "off by one", meant
    table, first, count = span
    others = [(t, first, count) for t in Table if t is not table and t.is_bits == table.is_bits]
    for one in (*filter(map_.fits, others), *filter(map_.holds, others)):
        name = map_.touched(one)[0].name
        return "wrong table", f"{name} is at {address_text(one[0], first)}"
    return "outside the map", "compare the tag's address with the register map"


def _one_place_off(map_: Map, span: Span) -> str | None:
    """What to do if the range next to this one holds whole points; None if it does not."""
    table, first, count = span
    moved = [(table, first + shift, count) for shift in (-1, 1) if first + shift >= 0]
    for one in filter(map_.fits, moved):
        point = map_.touched(one)[0]
        address = f"{point.name} is at address {map_.place(point).address}"
        return f"{address}: the wire counts from 0, printed numbers from 1"
    return None


def _other_refusals(scene: Scene) -> Iterator[Finding]:
    """Functions that the server does not have, and units that nobody has."""
    for event in scene.log.refused.values():
        if event.exception == 1:
            yield scene.finding(
                "wrong function",
                Severity.ERROR,
                f"function {event.function:02d}",
                "asks for what the server does not have, or this client may not use",
                "use functions 01 to 06, 15, 16, 22 and 23; look at the roles if there is TLS",
                event.at_ns,
                event.frame,
                event.count,
            )
        elif event.nobody and any(event.frame[2:4]):
            yield scene.finding(
                "wrong protocol",
                Severity.ERROR,
                f"protocol {int.from_bytes(event.frame[2:4])}",
                "sends frames that are not Modbus by their protocol identifier",
                "leave the protocol identifier 0 (Modbus Messaging on TCP/IP V1.0b, section 3.1.3)",
                event.at_ns,
                event.frame,
                event.count,
            )
        elif event.nobody and event.exception in (0, 11):
            yield scene.finding(
                "unknown unit",
                Severity.ERROR,
                f"unit {event.frame[6]}",
                "asks for a unit that nobody here has",
                scene.map.answers_at,
                event.at_ns,
                event.frame,
                event.count,
            )


def _misplaced_reads(scene: Scene) -> Iterator[Finding]:
    """Reads that are answered and show nothing: of gaps, or one place beside whole points."""
    if scene.map.is_driven:
        return  # cards answer for spare channels too
    for stream in scene.log.reads.values():
        is_beside = _is_beside(scene.map, stream.span)
        if scene.map.touched(stream.span) and not is_beside:
            continue
        kind, advice = _explain_outside(scene.map, stream.span)
        yield scene.finding(
            kind,
            Severity.ERROR,
            span_text(stream.span),
            f"reads, with function {stream.function:02d}, "
            + ("in the middle of values" if is_beside else "where no point is, which is always 0"),
            advice,
            stream.first_ns,
            stream.frame,
            stream.count,
        )


def _is_beside(map_: Map, span: Span) -> bool:
    """Whether whole values lie one place before a range that holds only parts of some.

    One register alone is half a value, whatever lies before it.
    """
    table, first, count = span
    if count < 2 or first == 0 or not map_.fits((table, first - 1, count)):
        return False
    return len(list(map_.cut(span))) == len(map_.touched(span)) > 0


def _half_values(scene: Scene) -> Iterator[Finding]:
    """A part of a value of several registers, read by itself: it can be torn."""
    for stream in scene.log.reads.values():
        if _is_beside(scene.map, stream.span):
            continue  # told as off by one
        for point in scene.map.cut(stream.span):
            count = scene.map.place(point).count
            yield scene.finding(
                "half a value",
                Severity.ERROR,
                point.name,
                f"reads only a part of its {count} registers ({span_text(stream.span)})",
                f"read {count} registers from {_first(scene.map, point)} in one request",
                stream.first_ns,
                stream.frame,
                stream.count,
            )
    for event in scene.log.writes:
        if event.exception != 2 or event.span[0].is_bits:
            continue
        for point in scene.map.cut(event.span):
            yield scene.finding(
                "half a value",
                Severity.ERROR,
                point.name,
                f"writes only a part of its {scene.map.place(point).count} registers",
                "write all of them in one request with function 16",
                event.at_ns,
                event.frame,
            )


# Writes


def _refused_writes(scene: Scene) -> Iterator[Finding]:
    """Values that a point does not take, and places that nobody may write."""
    for event in scene.log.writes:
        points = scene.map.touched(event.span)
        if event.exception == 2:
            explained = _explain_place(scene.map, event, points)
        elif event.exception == 4 and points:
            found = explain_refused(scene.map, points[0], event)
            explained = found.kind, found.message, found.advice
        else:
            continue
        if explained is None:
            continue
        kind, message, advice = explained
        subject = points[0].name if points else span_text(event.span)
        yield scene.finding(
            kind, Severity.ERROR, subject, message, advice, event.at_ns, event.frame
        )


def _explain_place(
    map_: Map, event: WriteEvent, points: Sequence[Point]
) -> tuple[str, str, str] | None:
    """Why a place is not written; None where it is half a value, which is told elsewhere."""
    if not points:
        kind, advice = _explain_outside(map_, event.span)
        if kind == "wrong table":
            return "read-only write", "writes what can only be read", advice
        return kind, "writes to addresses that are not on the map", advice
    read_only = [point for point in points if not map_.is_written(point)]
    if not read_only:
        return None
    message = f"writes {read_only[0].name}, which is read-only"
    return "read-only write", message, "make the tag read-only in the HMI"


def _odd_values(scene: Scene) -> Iterator[Finding]:
    """Values that were taken, since no range forbids them, and make no sense."""
    for event in _done(scene.log):
        for point in scene.map.touched(event.span):
            found = suspect_taken(scene.map, point, event)
            if found is not None:
                yield scene.finding(
                    found.kind,
                    Severity.WARNING,
                    point.name,
                    found.message,
                    f"{found.advice}; a `range` in the machine file would refuse such a value",
                    event.at_ns,
                    event.frame,
                )


def _repeated_writes(scene: Scene) -> Iterator[Finding]:
    """The same value again and again, as if every poll were an entry."""
    if scene.map.is_driven:
        return
    for span, events in _by_place(scene.log).items():
        same = [later for before, later in pairwise(events) if before.data == later.data]
        if len(same) < MANY:
            continue
        points = scene.map.touched(span)
        yield scene.finding(
            "write on every poll",
            Severity.WARNING,
            points[0].name if points else span_text(span),
            f"writes the same value again and again ({len(same) + 1} times)",
            "write on a change only: what is written all the time overrules everybody else",
            same[0].at_ns,
            same[0].frame,
            len(same) + 1,
        )


def _held_commands(scene: Scene) -> Iterator[Finding]:
    """A command that stays where it was put has to be released by whoever gave it."""
    for point in scene.map.points:
        if point.role is not Role.COMMAND or not point.hold:
            continue
        changes = [(event, bit_of(scene.map, point, event)) for event in _done(scene.log)]
        changes = [(event, bit) for event, bit in changes if bit is not None]
        if not changes or not changes[-1][1]:
            continue
        event, _ = changes[-1]
        held_ns = scene.ended_ns - event.at_ns
        if held_ns > _HELD_NS:
            yield scene.finding(
                "command held",
                Severity.WARNING,
                point.name,
                f"has set it and not released it for {held_ns / SECOND_NS:.0f} s",
                "write 0 when the button is let go, or leave `hold` out of the machine file",
                event.at_ns,
                event.frame,
            )


def _after_the_heartbeat(scene: Scene) -> Iterator[Finding]:
    """What is entered while the controller stands still is lost, or comes late."""
    point = scene.map.heartbeat
    late = [event for event in _done(scene.log) if event.still_ns > _STILL_NS]
    if point is None or not late:
        return
    names = [p.name for event in late for p in scene.map.touched(event.span)]
    yield scene.finding(
        "heartbeat ignored",
        Severity.WARNING,
        point.name,
        f"writes {', '.join(dict.fromkeys(names))} although HEARTBEAT had stood still for "
        f"{late[0].still_ns / SECOND_NS:.0f} s",
        "when HEARTBEAT stands still for a few seconds: alarm, mark the values, lock the entries",
        late[0].at_ns,
        late[0].frame,
        len(late),
    )


def _done(log: ClientLog) -> Iterator[WriteEvent]:
    return (event for event in log.writes if event.exception is None)


def _by_place(log: ClientLog) -> dict[Span, list[WriteEvent]]:
    """The writes that were done, by their ranges, in order."""
    found: dict[Span, list[WriteEvent]] = {}
    for event in _done(log):
        found.setdefault(event.span, []).append(event)
    return found


def _first(map_: Map, point: Point) -> str:
    place = map_.place(point)
    return address_text(place.table, place.address)


WRONG_REQUESTS: tuple[Finder, ...] = (
    _outside_map,
    _other_refusals,
    _misplaced_reads,
    _half_values,
    _refused_writes,
    _odd_values,
    _repeated_writes,
    _held_commands,
    _after_the_heartbeat,
)
