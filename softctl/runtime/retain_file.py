"""A file that holds the last saved state whatever happens to the process.

Two slots in shared memory, written in turns: sequence number and checksum last. A process
that is killed at any instant leaves the slot that it was not writing to whole, and the
kernel keeps what was written. A loss of power is not covered: nothing waits for the disk.
"""

from __future__ import annotations

import mmap
import os
import struct
import zlib
from pathlib import Path

from softctl.errors import SoftctlError

_MAGIC = b"softctl1"
_FILE = struct.Struct("<8sI")
_SLOT = struct.Struct("<QII")
"""Sequence number, length and checksum of the number with the content."""

_SPARE = 4_096


class RetainFile:
    """Saves byte strings; the last whole one is there after a kill.

    Raises SoftctlError where the file cannot be made or is somebody else's.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._memory: mmap.mmap | None = None
        self._size = 0
        self._sequence = 0

    def load(self) -> bytes | None:
        """What was saved last, None when there is no file or nothing whole in it."""
        try:
            raw = self.path.read_bytes()
        except (FileNotFoundError, NotADirectoryError):
            return None
        except OSError as error:
            raise SoftctlError(f"cannot read {self.path}: {error.strerror}") from None
        if len(raw) < _FILE.size or raw[: len(_MAGIC)] != _MAGIC:
            raise SoftctlError(
                f"expected a file of saved RETAIN values, got something else ({self.path}); "
                f"move it away, or start with --cold"
            )
        size = _FILE.unpack_from(raw)[1]
        whole = [slot for index in (0, 1) if (slot := _read_slot(raw, size, index)) is not None]
        if not whole:
            return None
        self._sequence, content = max(whole)
        return content

    def save(self, content: bytes) -> None:
        """Write the content to the slot that does not hold the last one."""
        if self._memory is None or len(content) > self._size - _SLOT.size:
            self._make(content)
            return
        self._sequence += 1
        _write_slot(self._memory, self._size, self._sequence, content)

    def close(self) -> None:
        """Let the file go; what was saved stays."""
        if self._memory is not None:
            self._memory.close()
            self._memory = None

    def _make(self, content: bytes) -> None:
        """A new file with room to spare, put in the place of the old one in one step."""
        size = _SLOT.size + 2 * len(content) + _SPARE
        fresh = self.path.with_name(f"{self.path.name}.new")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with fresh.open("w+b") as file:
                # Blocks are set aside now: writing to memory without them would end the process.
                os.posix_fallocate(file.fileno(), 0, _FILE.size + 2 * size)
                memory = mmap.mmap(file.fileno(), 0)
            memory[: _FILE.size] = _FILE.pack(_MAGIC, size)
            self._sequence += 1
            _write_slot(memory, size, self._sequence, content)
            os.replace(fresh, self.path)
        except OSError as error:
            raise SoftctlError(f"cannot write {self.path}: {error.strerror}") from None
        self.close()
        self._memory, self._size = memory, size


def _write_slot(memory: mmap.mmap, size: int, sequence: int, content: bytes) -> None:
    start = _FILE.size + (sequence & 1) * size
    body = start + _SLOT.size
    memory[body : body + len(content)] = content
    memory[start:body] = _SLOT.pack(sequence, len(content), _checksum(sequence, content))


def _read_slot(raw: bytes, size: int, index: int) -> tuple[int, bytes] | None:
    start = _FILE.size + index * size
    if len(raw) < start + size:
        return None
    sequence, length, checksum = _SLOT.unpack_from(raw, start)
    content = raw[start + _SLOT.size : start + _SLOT.size + length]
    is_whole = sequence and len(content) == length and checksum == _checksum(sequence, content)
    return (sequence, content) if is_whole else None


def _checksum(sequence: int, content: bytes) -> int:
    return zlib.crc32(content, zlib.crc32(sequence.to_bytes(8, "little")))
