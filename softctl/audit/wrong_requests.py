"""Requests that are wrong: addresses, functions, units, values.

Source: Modbus Application Protocol V1.1b3 (MAP).
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from softctl.audit.observe import ClientLog, RefusedEvent, Span, WriteEvent
from softctl.audit.scene import MANY, SECOND_NS, Finder, Finding, Scene, Severity
from softctl.audit.uses import Map, address_text, span_text
from softctl.machine import Point, Role
from softctl.values.registers import WordOrder, decode
from softctl.values.tables import Table


def _outside_map(scene: Scene) -> Iterator[Finding]:
    """Refused with 02 (MAP section 7), with the point that was probably meant."""
    for event in _all_refused(scene.log):
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
    table, first, count = span
    moved = [(table, first + shift, count) for shift in (-1, 1) if first + shift >= 0]
    for one in filter(map_.fits, moved):
        name = map_.touched(one)[0].name
        address = f"{name} is at address {one[1]}"
        return "off by one", f"{address}: the wire counts from 0, printed numbers from 1"
    others = [(t, first, count) for t in Table if t is not table and t.is_bits == table.is_bits]
    for one in (*filter(map_.fits, others), *filter(map_.holds, others)):
        name = map_.touched(one)[0].name
        return "wrong table", f"{name} is at {address_text(one[0], first)}"
    return "outside the map", "compare the tag's address with the register map"


def _other_refusals(scene: Scene) -> Iterator[Finding]:
    """Functions that the server does not have, and units that nobody has."""
    for event in _all_refused(scene.log):
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
        elif event.exception in (0, 11):
            yield scene.finding(
                "unknown unit",
                Severity.ERROR,
                f"unit {event.frame[6]}",
                "asks for a unit that nobody here has",
                f"the map answers at unit {scene.map.machine.hmi.unit}",
                event.at_ns,
                event.frame,
                event.count,
            )


def _half_values(scene: Scene) -> Iterator[Finding]:
    """A part of a value of several registers, read by itself: it can be torn."""
    for stream in scene.log.reads.values():
        for point in scene.map.cut(stream.span):
            yield scene.finding(
                "half a value",
                Severity.ERROR,
                point.name,
                f"reads only a part of its {_count(point)} registers ({span_text(stream.span)})",
                f"read {_count(point)} registers from {_first(point)} in one request",
                stream.first_ns,
                stream.frame,
                stream.count,
            )
    for event in scene.log.writes:
        if event.exception != 2 or event.table.is_bits:
            continue
        for point in scene.map.cut((event.table, event.address, len(event.data) // 2)):
            yield scene.finding(
                "half a value",
                Severity.ERROR,
                point.name,
                f"writes only a part of its {_count(point)} registers",
                "write all of them in one request with function 16",
                event.at_ns,
                event.frame,
            )


# Writes


def _refused_writes(scene: Scene) -> Iterator[Finding]:
    """Values that a point does not take, and places that nobody may write."""
    for event in scene.log.writes:
        if event.exception in (0, 1):
            continue
        points = scene.map.touched(_span(event))
        read_only = [p for p in points if not p.role.is_written_by_hmi]
        if event.exception == 2 and not points:
            kind, advice = _explain_outside(scene.map, _span(event))
            message = "writes to addresses that are not on the map"
            if kind == "wrong table":
                kind, message = "read-only write", "writes what can only be read"
        elif event.exception == 2 and read_only:
            kind, message = "read-only write", f"writes {read_only[0].name}, which is read-only"
            advice = "make the tag read-only in the HMI"
        elif event.exception == 4 and points:
            kind, message, advice = _explain_value(scene.map, points[0], event)
        else:
            continue
        subject = points[0].name if points else span_text(_span(event))
        yield scene.finding(
            kind, Severity.ERROR, subject, message, advice, event.at_ns, event.frame
        )


def _explain_value(map_: Map, point: Point, event: WriteEvent) -> tuple[str, str, str]:
    """Out of range; when another order of the words would fit, that is the likely reason."""
    place = point.hmi
    own = map_.machine.hmi_order(point)
    assert place is not None
    raw = event.data[2 * (place.address - event.address) :][: 2 * place.count]
    if place.count > 1 and len(raw) == 2 * place.count:
        for order in WordOrder:
            if order is not own and _fits(point, raw, order):
                message = (
                    f"writes a value outside the range of {point.name}, which it would not be in "
                    f"the order {order.value}"
                )
                return "word order", message, f"set the tag's word order to {own.value}"
    limits = f"{point.low} to {point.high} {point.unit}".rstrip()
    message = f"writes a value that {point.name} does not take"
    advice = f"limit the entry to {limits} and check its type"
    return "out of range", message, advice


def _fits(point: Point, raw: bytes, order: WordOrder) -> bool:
    try:
        value = decode(raw, point.hmi_type, order)
    except ValueError:
        return False
    if isinstance(value, str) or point.low is None or point.high is None:
        return False
    # A tiny REAL is what the wrong order usually makes of a count: no evidence.
    is_odd = isinstance(value, float) and value != 0 and abs(value) < 1e-6
    return bool(point.low <= value <= point.high) and not is_odd


def _repeated_writes(scene: Scene) -> Iterator[Finding]:
    """The same value again and again, as if every poll were an entry."""
    for (table, address), events in _by_place(scene.log).items():
        same = [later for before, later in pairwise(events) if before.data == later.data]
        if len(same) < MANY:
            continue
        name = _name(scene.map, table, address)
        yield scene.finding(
            "write on every poll",
            Severity.WARNING,
            name,
            f"writes the same value again and again ({len(same) + 1} times)",
            "write on a change only: what is written all the time overrules everybody else",
            same[0].at_ns,
            same[0].frame,
            len(same) + 1,
        )


def _held_commands(scene: Scene) -> Iterator[Finding]:
    """A command that stays where it was put has to be released by whoever gave it."""
    for (table, address), events in _by_place(scene.log).items():
        for point in scene.map.at(table, address):
            is_held = point.role is Role.COMMAND and point.hold and table is Table.COILS
            if not is_held or events[-1].data[:1] != b"\x01":
                continue
            held_ns = scene.ended_ns - events[-1].at_ns
            if held_ns > 10 * SECOND_NS:
                yield scene.finding(
                    "command held",
                    Severity.WARNING,
                    point.name,
                    f"has set it and not released it for {held_ns / SECOND_NS:.0f} s",
                    "write 0 when the button is let go, or leave `hold` out of the machine file",
                    events[-1].at_ns,
                    events[-1].frame,
                )


def _all_refused(log: ClientLog) -> Iterator[RefusedEvent]:
    yield from log.refused.values()


def _span(event: WriteEvent) -> tuple[Table, int, int]:
    count = len(event.data) // (1 if event.table.is_bits else 2)
    return event.table, event.address, max(1, count)


def _by_place(log: ClientLog) -> dict[tuple[Table, int], list[WriteEvent]]:
    """The writes that were done, by where they begin, in order."""
    found: dict[tuple[Table, int], list[WriteEvent]] = {}
    for event in log.writes:
        if event.exception == 0:
            found.setdefault((event.table, event.address), []).append(event)
    return found


def _name(map_: Map, table: Table, address: int) -> str:
    points = map_.at(table, address)
    return points[0].name if points else address_text(table, address)


def _count(point: Point) -> int:
    assert point.hmi is not None
    return point.hmi.count


def _first(point: Point) -> str:
    assert point.hmi is not None
    return address_text(point.hmi.table, point.hmi.address)


WRONG_REQUESTS: tuple[Finder, ...] = (
    _outside_map,
    _other_refusals,
    _half_values,
    _refused_writes,
    _repeated_writes,
    _held_commands,
)
