"""Writes the journal in a thread of its own, so that no scan waits for a disk.

1. The queue is bounded. When it is full, samples and then entries are dropped and counted:
   control goes on.
2. An entry is on file when `note` returns (see `spool`), so kill -9 loses none that anybody
   was told of; a loss of power is not covered. A batch is one transaction. `flush` returns
   when all that was noted before is committed.
3. A disk that is full or gone is an alarm, not an error: the batch is kept and tried again.
"""

from __future__ import annotations

import queue
import sqlite3
import threading
from collections.abc import Iterable, Sequence
from pathlib import Path

from softctl.errors import SoftctlError
from softctl.journal.entries import SCHEMA, Entry, Sample
from softctl.journal.spool import Spool
from softctl.journal.unkept import Listener

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

_Item = tuple[int, Entry] | Sample
"""An entry with its number in the spool, or a sample."""


class JournalWriter:
    """One journal file, open for writing; raises SoftctlError when it cannot be opened."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.dropped = 0
        self.trouble = ""
        """Why the last batch could not be written, or "" when it could."""
        self.listeners: list[Listener] = []
        """Called with each entry, in the thread that notes it."""
        self._items: queue.Queue[_Item | threading.Event | None] = queue.Queue(_QUEUE)
        self._lock = threading.Lock()
        """Between noting an entry and clearing the spool."""
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._spool = Spool(path.with_name(f"{path.name}-spool"))
            self._noted = _bring_in(path, self._spool)
        except (OSError, sqlite3.Error) as error:
            raise SoftctlError(f"cannot write the journal {path}: {error}") from None
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    def note(self, entry: Entry) -> None:
        """Take in an entry without waiting; it outlives a kill from now on."""
        with self._lock:
            self._noted += 1
            try:
                self._spool.add(self._noted, entry)
            except OSError as error:
                self.trouble = str(error)
            self._put((self._noted, entry), room=0)
        for listener in self.listeners:
            listener(entry)

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
        if not self._thread.is_alive():
            self._spool.close()

    def _put(self, item: _Item, room: int) -> None:
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
        is_open, is_last_try = True, False
        while is_open:
            batch, waiting, is_open = self._gather()
            while batch:
                try:
                    connection = connection or _open(self.path)
                    self._commit(connection, batch)
                except sqlite3.Error as error:
                    if connection is not None:
                        connection.close()
                    connection = None
                    self.trouble = str(error)
                    if not is_open or is_last_try:
                        is_open = False
                        break
                    is_last_try = self._stops_within(_RETRY_S)
                else:
                    self.trouble = ""
                    break
            for event in waiting:
                if not self.trouble:
                    event.set()
        if connection is not None:
            connection.close()

    def _commit(self, connection: sqlite3.Connection, batch: list[_Item]) -> None:
        """Write a batch, and clear the spool when nothing in it is newer."""
        last = _write(connection, batch)
        with self._lock:
            if last == self._noted:
                self._spool.clear()

    def _gather(self) -> tuple[list[_Item], list[threading.Event], bool]:
        """The next batch, who waits for it, and whether the writer stays open."""
        batch: list[_Item] = []
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


def _bring_in(path: Path, spool: Spool) -> int:
    """Write what a killed process left; the number of the last entry that there was."""
    connection = _open(path)
    try:
        (known,) = connection.execute("SELECT number FROM spooled").fetchone()
        left: list[_Item] = [one for one in spool.left() if one[0] > known]
        last = _write(connection, left)
    finally:
        connection.close()
    spool.clear()
    return known if last is None else last


def _write(connection: sqlite3.Connection, batch: Sequence[_Item]) -> int | None:
    """One transaction, which also says how far the spool is in it: to the number returned."""
    entries = [one for one in batch if isinstance(one, tuple)]
    last = entries[-1][0] if entries else None
    connection.execute("BEGIN IMMEDIATE")
    try:
        connection.executemany(_ENTRY, [entry.row() for _, entry in entries])
        connection.executemany(_SAMPLE, [one.row() for one in batch if isinstance(one, Sample)])
        if last is not None:
            connection.execute("UPDATE spooled SET number = ?", (last,))
        connection.execute("COMMIT")
    except sqlite3.Error:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    return last
