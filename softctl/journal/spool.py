"""Entries on their way into the database, kept on file from the moment they are noted.

A process that is killed leaves them there, and the next one brings them in. Each line has a
number; the database knows the last one that it has, so that none comes in twice.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import astuple
from pathlib import Path

from softctl.journal.entries import Entry


class Spool:
    """The file beside a journal; raises OSError where it cannot be made."""

    def __init__(self, path: Path) -> None:
        self._file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o600)

    def left(self) -> Iterator[tuple[int, Entry]]:
        """What a killed process left, with its numbers; a torn last line is none."""
        size = os.fstat(self._file).st_size
        for line in os.pread(self._file, size, 0).split(b"\n"):
            try:
                number, *values = json.loads(line)
                yield number, Entry(*values)
            except (ValueError, TypeError):
                continue

    def add(self, number: int, entry: Entry) -> None:
        """Keep an entry; raises OSError where nothing can be written."""
        line = json.dumps([number, *astuple(entry)], separators=(",", ":"), default=str)
        os.write(self._file, line.encode() + b"\n")

    def clear(self) -> None:
        """Everything in it is in the database."""
        os.ftruncate(self._file, 0)

    def close(self) -> None:
        """Let the file go."""
        os.close(self._file)
