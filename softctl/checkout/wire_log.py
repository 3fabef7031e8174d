"""What clients read and write in a step, point by point."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from softctl.audit.observe import Span, written_range
from softctl.audit.uses import Map, span_text
from softctl.control.hmi import HmiMap
from softctl.image import Side, point_reader
from softctl.machine import Machine, Point, Value
from softctl.modbus.clients import Client
from softctl.modbus.codes import ERROR_BIT
from softctl.modbus.requests import (
    MaskWriteRequest,
    ReadRequest,
    ReadWriteRequest,
    Reject,
    Request,
)
from softctl.values.tables import Table

_FUNCTION_BYTE = 7
_HABIT = 3
"""A place that is written so often while nobody operates is written all the time."""

_MOST_KEPT = 200


@dataclass(frozen=True, slots=True)
class PointWrite:
    """One value that was written, or refused; `point` is empty where there is none."""

    client: str
    point: str
    value: Value | None
    span: Span
    frame: str
    exception: int = 0

    @property
    def where(self) -> str:
        """The range that was written, in words."""
        return span_text(self.span)


class WireLog:
    """Takes the observer's calls of a server (`softctl.modbus.server.Observer`).

    It has a copy of the map, in which it can read what a write means for each point before
    anything else has changed. Of reads it keeps where they were.
    """

    def __init__(self, machine: Machine, hmi: HmiMap) -> None:
        self._machine = machine
        self._hmi = hmi
        self._map = Map(machine)
        self._copy = HmiMap(machine)
        self._habits: Counter[str] = Counter()
        self._target = ""
        self.writes: list[PointWrite] = []
        """Those since the step began, at most the first 200."""
        self._reads: set[Span] = set()

    @property
    def habits(self) -> set[str]:
        """The points that are written all the time, whoever operates what."""
        return {name for name, count in self._habits.items() if count >= _HABIT}

    def begin(self, target: str = "") -> None:
        """This point is operated from now on; without one, something is looked at."""
        self.writes = []
        self._reads.clear()
        self._target = target
        self.follow()

    def has_read(self, point: Point) -> bool:
        """Whether somebody has read all of a point since the step began."""
        place = point.hmi
        assert place is not None, "a checkout is about points on the map"
        return any(
            table is place.table and first <= place.address and place.end <= first + count
            for table, first, count in self._reads
        )

    def follow(self) -> None:
        """Take over what the map's owner has put into it."""
        for table in Table:
            self._copy.bank.area(table).memory[:] = self._hmi.bank.area(table).memory

    def opened(self, client: Client) -> None:
        """A client has connected."""

    def closed(self, client: Client) -> None:
        """A client has gone."""

    def on_request(
        self, client: Client, frame: bytes, request: Request | Reject | None, reply: bytes | None
    ) -> None:
        """One frame has been dealt with."""
        exception = 0
        if reply is None or reply[_FUNCTION_BYTE] >= ERROR_BIT:
            exception = -1 if reply is None else reply[_FUNCTION_BYTE + 1]
        if not exception and isinstance(request, ReadRequest):
            self._reads.add((request.table, request.address, request.quantity))
        elif not exception and isinstance(request, ReadWriteRequest):
            self._reads.add((Table.HOLDING_REGISTERS, request.address, request.quantity))
        written = written_range(request)
        if written is None:
            return
        span, data = written
        if isinstance(request, MaskWriteRequest):  # what the masks made is in the map by now
            data = b"" if exception else bytes(self._hmi.bank.area(span[0]).read(*span[1:]))
        found = [
            PointWrite(client.name, point, value, span, frame.hex(" "), exception)
            for point, value, span in self._points(span, data)
        ]
        if exception:
            self.follow()
        self._note(found)

    def _note(self, found: list[PointWrite]) -> None:
        if not self._target:
            self._habits.update(write.point for write in found if write.point)
        self.writes += found[: max(0, _MOST_KEPT - len(self.writes))]

    def _points(self, span: Span, data: bytes) -> Iterator[tuple[str, Value | None, Span]]:
        """Points with the values that a range gives them, and the range.

        Neighbours in a block that stay as they are do not count. A point of which the range
        holds only a part has no value.
        """
        table, address, _ = span
        points = self._map.touched(span)
        cut = {point.name for point in self._map.cut(span)}
        before = self._read(points)
        if self._copy.bank.covers(*span):
            self._copy.bank.area(table).write(address, data)
        after = self._read(points)
        meant = [
            p for p in points if p.name == self._target or after.get(p.name) != before.get(p.name)
        ]
        if not points:
            yield "", None, span
        for point in meant or points[:1]:
            value = None if point.name in cut else after.get(point.name)
            yield point.name, value, span

    def _read(self, points: list[Point]) -> Mapping[str, Value]:
        found = {}
        for point in points:
            try:
                (value,) = point_reader(
                    self._copy.bank, self._machine, [point], Side.HMI, wired=True
                )()
            except ValueError:
                continue
            found[point.name] = value
        return found
