"""Writes the journal in a thread of its own, so that no scan waits for a disk.

1. The queue is bounded. When it is full, samples and then entries are dropped and counted:
   control goes on.
2. A batch is one transaction. `flush` returns when all that was noted before is committed;
   SQLite in WAL mode then keeps it through kill -9 (not through a loss of power).
3. A disk that is full or gone is an alarm, not an error: the batch is kept and tried again.
"""

from __future__ import annotations

import queue
import sqlite3
import threading
from collections.abc import Iterable
from pathlib import Path

from softctl.errors import SoftctlError
from softctl.journal.entries import SCHEMA, Entry, Sample

_QUEUE = 20_000
_ROOM_FOR_ENTRIES = 2_000
_BATCH = 5_000
_GATHER_S = 0.05
_RETRY_S = 1.0

_ENTRY = (
    "INSERT INTO entries (wall_ns, machine_ns, kind, name, what, source, details)"
    " VALUES (?, ?, ?, ?, ?, ?, ?)"
)
_SAMPLE = "INSERT INTO samples (wall_ns, machine_ns, point, value) VALUES (?, ?, ?, ?)"


class JournalWriter:
    """One journal file, open for writing; raises SoftctlError when it cannot be opened."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.dropped = 0
        self.trouble = ""
        """Why the last batch could not be written, or "" when it could."""
        self._items: queue.Queue[Entry | Sample | threading.Event | None] = queue.Queue(_QUEUE)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            _open(path).close()
        except (OSError, sqlite3.Error) as error:
            raise SoftctlError(f"cannot write the journal {path}: {error}") from None
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    def note(self, entry: Entry) -> None:
        """Take in an entry without waiting."""
        self._put(entry, room=0)

    def sample(self, samples: Iterable[Sample]) -> None:
        """Take in samples without waiting; they leave room for entries."""
        for sample in samples:
            self._put(sample, room=_ROOM_FOR_ENTRIES)

    def flush(self, timeout_s: float = 5.0) -> bool:
        """Wait until everything noted so far is committed; False if that took too long."""
        done = threading.Event()
        try:
            self._items.put(done, timeout=timeout_s)
        except queue.Full:
            return False
        return done.wait(timeout_s)

    def close(self, timeout_s: float = 5.0) -> None:
        """Write what is left and end the thread; what cannot be written by then is lost."""
        try:
            self._items.put(None, timeout=timeout_s)
        except queue.Full:
            self.dropped += 1
        self._thread.join(timeout_s)

    def _put(self, item: Entry | Sample, room: int) -> None:
        if self._items.qsize() >= _QUEUE - room:
            self.dropped += 1
            return
        try:
            self._items.put_nowait(item)
        except queue.Full:
            self.dropped += 1

    # The thread

    def _run(self) -> None:
        connection: sqlite3.Connection | None = None
        is_open = True
        while is_open:
            batch, waiting, is_open = self._gather()
            while batch:
                try:
                    connection = connection or _open(self.path)
                    _write(connection, batch)
                except sqlite3.Error as error:
                    if connection is not None:
                        connection.close()
                    connection = None
                    self.trouble = str(error)
                    if not is_open or self._stops_within(_RETRY_S):
                        is_open = False
                        break
                else:
                    self.trouble = ""
                    break
            for event in waiting:
                if not self.trouble:
                    event.set()
        if connection is not None:
            connection.close()

    def _gather(self) -> tuple[list[Entry | Sample], list[threading.Event], bool]:
        """The next batch, who waits for it, and whether the writer stays open."""
        batch: list[Entry | Sample] = []
        waiting: list[threading.Event] = []
        item = self._items.get()
        while True:
            if item is None:
                return batch, waiting, False
            if isinstance(item, threading.Event):
                waiting.append(item)
            else:
                batch.append(item)
            if waiting or len(batch) >= _BATCH:
                return batch, waiting, True
            try:
                item = self._items.get(timeout=_GATHER_S)
            except queue.Empty:
                return batch, waiting, True

    def _stops_within(self, seconds: float) -> bool:
        """Wait before the next try; True when the journal is closed meanwhile.

        The mark of the end stays the last item, so it is looked for and put back.
        """
        threading.Event().wait(seconds)
        with self._items.mutex:
            return bool(self._items.queue) and self._items.queue[-1] is None


def _open(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None, timeout=1.0)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.executescript(SCHEMA)
    return connection


def _write(connection: sqlite3.Connection, batch: list[Entry | Sample]) -> None:
    connection.execute("BEGIN IMMEDIATE")
    try:
        connection.executemany(_ENTRY, [one.row() for one in batch if isinstance(one, Entry)])
        connection.executemany(_SAMPLE, [one.row() for one in batch if isinstance(one, Sample)])
        connection.execute("COMMIT")
    except sqlite3.Error:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
