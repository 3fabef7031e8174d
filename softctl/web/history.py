"""What the journal knows of points over time, thinned out for a screen.

The thinning is done by SQLite, outside the interpreter's lock, so that a look at a long past
does not hold up the scans of this process. Of each stretch of time the least and the
greatest value are kept, so that no peak is lost.
"""

from __future__ import annotations

import csv
import io
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from softctl.errors import SoftctlError
from softctl.journal import Entry
from softctl.journal.reader import JournalReader, Wanted, utc_text
from softctl.web.rows import entry_event
from softctl.web.values import shown

MOST_POINTS = 5_000
MOST_NAMES = 32
MOST_EVENTS = 1_000
MOST_ROWS = 1_000_000

_EXACT = """
SELECT wall_ns, machine_ns, value FROM samples
WHERE point = ? AND wall_ns >= ? AND wall_ns < ? ORDER BY wall_ns
"""
_EXTREMES = """
SELECT wall_ns, machine_ns, {extreme}(CAST(value AS REAL)) FROM samples
WHERE point = ? AND wall_ns >= ? AND wall_ns < ? GROUP BY (wall_ns - ?) / ?
"""
_COUNT = "SELECT count(*) FROM samples WHERE point = ? AND wall_ns >= ? AND wall_ns < ?"
_BEFORE = """
SELECT wall_ns, machine_ns, value FROM samples
WHERE point = ? AND wall_ns < ? ORDER BY wall_ns DESC LIMIT 1
"""


@dataclass(frozen=True, slots=True)
class Axis:
    """The time axis of a page's trends.

    With `started_wall_ns` None it is Unix time. Otherwise it is the machine time of the run
    that began then, and what was before lies at so many wall seconds below zero.
    """

    started_wall_ns: int | None = None

    def at_s(self, wall_ns: int, machine_ns: int) -> float:
        """Where something of the journal lies."""
        if self.started_wall_ns is None:
            return wall_ns / 1e9
        if wall_ns < self.started_wall_ns:
            return (wall_ns - self.started_wall_ns) / 1e9
        return machine_ns / 1e9


class History:
    """The past in one journal; every call reads the file, so none holds it open."""

    def __init__(self, path: Path, axis: Axis) -> None:
        self._path = path
        self._axis = axis

    def read(self, names: Sequence[str], from_s: float, to_s: float, points: int) -> dict[str, Any]:
        """Series by name as [time, value] and the events; raises SoftctlError."""
        _check_names(names)
        if not 2 <= points <= MOST_POINTS:
            raise SoftctlError(f"expected 2 to {MOST_POINTS} points, got {points}")
        with closing(self._open()) as connection:
            first_ns, last_ns = self._walls(connection, from_s, to_s)
            series = {
                name: list(self._series(connection, name, first_ns, last_ns, points))
                for name in names
            }
        return {"series": series, "events": self._events(first_ns, last_ns)}

    def export(self, names: Sequence[str], from_s: float, to_s: float) -> str:
        """Every sample of these points as CSV by RFC 4180; raises SoftctlError."""
        _check_names(names)
        out = io.StringIO()
        writer = csv.writer(out)
        writer.writerow(("time", "machine_s", "point", "value"))
        with closing(self._open()) as connection:
            span = self._walls(connection, from_s, to_s)
            left = MOST_ROWS
            for name in names:
                for wall_ns, machine_ns, value in connection.execute(_EXACT, (name, *span)):
                    left -= 1
                    if left < 0:
                        raise SoftctlError(f"expected at most {MOST_ROWS} samples, got more")
                    writer.writerow((utc_text(wall_ns), machine_ns / 1e9, name, value))
        return out.getvalue()

    def _open(self) -> sqlite3.Connection:
        if not self._path.is_file():
            raise SoftctlError(f"expected a journal at {self._path}, got none")
        return sqlite3.connect(f"file:{self._path}?mode=ro", uri=True)

    def _walls(self, connection: sqlite3.Connection, from_s: float, to_s: float) -> tuple[int, int]:
        """The stretch of wall time that holds a stretch of the axis."""
        if not from_s < to_s:
            raise SoftctlError(f"expected a time before {to_s:g} s to begin with, got {from_s:g} s")
        return self._wall_ns(connection, from_s), self._wall_ns(connection, to_s)

    def _wall_ns(self, connection: sqlite3.Connection, at_s: float) -> int:
        started_ns = self._axis.started_wall_ns
        if started_ns is None:
            return int(at_s * 1e9)
        if at_s < 0:
            return started_ns + int(at_s * 1e9)
        at_ns = int(at_s * 1e9)
        for table in ("samples", "entries"):
            found = connection.execute(
                f"SELECT min(wall_ns) FROM {table} WHERE wall_ns >= ? AND machine_ns >= ?",
                (started_ns, at_ns),
            ).fetchone()[0]
            if found is not None:
                return int(found)
        return 2**63 - 1

    def _series(
        self, connection: sqlite3.Connection, name: str, first_ns: int, last_ns: int, points: int
    ) -> Iterator[list[Any]]:
        """The value that held before, then the samples, thinned where there are too many."""
        before = connection.execute(_BEFORE, (name, first_ns)).fetchone()
        if before is not None:
            yield self._sample(*before)
        span = (name, first_ns, last_ns)
        (count,) = connection.execute(_COUNT, span).fetchone()
        if count <= points:
            for row in connection.execute(_EXACT, span):
                yield self._sample(*row)
            return
        first, last = connection.execute(
            "SELECT min(wall_ns), max(wall_ns) FROM samples"
            " WHERE point = ? AND wall_ns >= ? AND wall_ns < ?",
            span,
        ).fetchone()
        stretch_ns = max(1, 2 * (last - first) // points + 1)
        rows: list[Any] = []
        for extreme in ("min", "max"):
            rows += connection.execute(
                _EXTREMES.format(extreme=extreme), (*span, first, stretch_ns)
            )
        for row in sorted(set(rows)):
            yield self._sample(*row)

    def _sample(self, wall_ns: int, machine_ns: int, value: Any) -> list[Any]:
        return [round(self._axis.at_s(wall_ns, machine_ns), 3), shown(value)]

    def _events(self, first_ns: int, last_ns: int) -> list[dict[str, Any]]:
        """The last entries of a stretch, the oldest first."""
        reader = JournalReader(self._path)
        try:
            found: list[Entry] = reader.last_entries(
                Wanted(since_ns=first_ns, until_ns=last_ns), MOST_EVENTS
            )
        finally:
            reader.close()
        return [
            entry_event(one, self._axis.at_s(one.wall_ns, one.machine_ns))
            for one in found
            if one.kind != "journal"
        ]


def _check_names(names: Sequence[str]) -> None:
    if not 0 < len(names) <= MOST_NAMES:
        raise SoftctlError(f"expected 1 to {MOST_NAMES} names of points, got {len(names)}")
