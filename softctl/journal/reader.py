"""Reads a journal: filtered entries and samples, and exports."""

from __future__ import annotations

import csv
import json
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path

from softctl.errors import SoftctlError
from softctl.journal.entries import Entry, Sample

_SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which rows are wanted; empty and None let everything through. Times are UTC ns."""

    kinds: tuple[str, ...] = ()
    names: tuple[str, ...] = ()
    since_ns: int | None = None
    until_ns: int | None = None


class JournalReader:
    """One journal file, open for reading only, also while it is written.

    Raises SoftctlError when it is not there or is no journal.
    """

    def __init__(self, path: Path) -> None:
        if not path.is_file():
            raise SoftctlError(f"expected a journal at {path}, got none: has the machine run yet?")
        try:
            self._connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
            self._connection.execute("SELECT id FROM entries LIMIT 1")
        except sqlite3.Error as error:
            raise SoftctlError(
                f"expected a journal, got something else ({path}): {error}"
            ) from None

    def entries(self, wanted: Wanted) -> Iterator[Entry]:
        """Entries in the order in which they came."""
        yield from self._entries(wanted, "ORDER BY id")

    def last_entries(self, wanted: Wanted, most: int) -> list[Entry]:
        """The last so many of them, in that order too."""
        return list(self._entries(wanted, f"ORDER BY id DESC LIMIT {most:d}"))[::-1]

    def _entries(self, wanted: Wanted, order: str) -> Iterator[Entry]:
        where, values = _where(wanted, "name", has_kind=True)
        columns = [one.name for one in fields(Entry)]
        for row in self._connection.execute(
            f"SELECT {', '.join(columns)} FROM entries {where} {order}", values
        ):
            yield Entry(**dict(zip(columns, row, strict=True)) | {"details": json.loads(row[-1])})

    def samples(self, wanted: Wanted) -> Iterator[Sample]:
        """Samples in the order in which they came."""
        where, values = _where(wanted, "point", has_kind=False)
        columns = ", ".join(one.name for one in fields(Sample))
        for row in self._connection.execute(
            f"SELECT {columns} FROM samples {where} ORDER BY id", values
        ):
            yield Sample(*row)

    def close(self) -> None:
        """Let the file go."""
        self._connection.close()


def _where(wanted: Wanted, name: str, *, has_kind: bool) -> tuple[str, Sequence[object]]:
    parts: list[str] = []
    values: list[object] = []
    choices = [(name, wanted.names), ("kind", wanted.kinds if has_kind else ())]
    for column, allowed in choices:
        if allowed:
            marks = ", ".join("?" * len(allowed))
            parts.append(f"{column} COLLATE NOCASE IN ({marks})")
            values += allowed
    for sign, limit in ((">=", wanted.since_ns), ("<", wanted.until_ns)):
        if limit is not None:
            parts.append(f"wall_ns {sign} ?")
            values.append(limit)
    return (f"WHERE {' AND '.join(parts)}" if parts else ""), values


ENTRY_HEAD = ("time", "machine_s", "kind", "name", "what", "source", "details")
SAMPLE_HEAD = ("time", "machine_s", "point", "value")


def entry_row(entry: Entry) -> tuple[object, ...]:
    """An entry as people and spreadsheets read it, in the order of ENTRY_HEAD."""
    details = json.dumps(entry.details, separators=(",", ":")) if entry.details else ""
    head = (utc_text(entry.wall_ns), entry.machine_ns / _SECOND_NS)
    return (*head, entry.kind, entry.name, entry.what, entry.source, details)


def sample_row(sample: Sample) -> tuple[object, ...]:
    """A sample likewise, in the order of SAMPLE_HEAD."""
    return (utc_text(sample.wall_ns), sample.machine_ns / _SECOND_NS, sample.point, sample.value)


def utc_text(wall_ns: int) -> str:
    """An instant by ISO 8601, in UTC with milliseconds."""
    seconds, rest = divmod(wall_ns, _SECOND_NS)
    day = datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{day}.{rest // 1_000_000:03d}Z"


def write_csv(path: Path, head: Sequence[str], rows: Iterator[Sequence[object]]) -> int:
    """Write rows by RFC 4180; how many there were. Raises SoftctlError."""
    count = 0
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(head)
            for row in rows:
                writer.writerow(row)
                count += 1
    except OSError as error:
        raise SoftctlError(f"cannot write {path}: {error.strerror}") from None
    return count


def write_parquet(path: Path, head: Sequence[str], rows: Iterator[Sequence[object]]) -> int:
    """Write rows as a Parquet file with text and number columns; needs the extra `parquet`."""
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise SoftctlError(
            "expected pyarrow to be installed for Parquet: pip install 'softctl[parquet]'"
        ) from None
    table = list(rows)
    columns = {
        name: [row[index] if name == "machine_s" else str(row[index]) for row in table]
        for index, name in enumerate(head)
    }
    try:
        parquet.write_table(pyarrow.table(columns), path)
    except OSError as error:
        raise SoftctlError(f"cannot write {path}: {error.strerror or error}") from None
    return len(table)
