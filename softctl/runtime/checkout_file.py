"""The file of a checkout's session: each attempt is on the disk before the next step."""

from __future__ import annotations

import os
from pathlib import Path
from typing import BinaryIO

from softctl.checkout.session import Attempt, Session, attempt_line, head_line, parse_session
from softctl.errors import SoftctlError
from softctl.paper import Basis
from softctl.runtime.folder import shown_path

SESSION_FILE = "checkout.jsonl"


class CheckoutFile:
    """One session, whose lines are only ever added to.

    A file is made whole beside its place and moved there, a line that a crash tore is taken
    off before the next one, and one process at a time may have it. Raises SoftctlError.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.was_torn = False
        """Whether a line at the end was torn by a crash, and is gone."""
        self._file: BinaryIO | None = None

    def open(self, basis: Basis) -> Session:
        """The session in the file, or a new one; it has to be about the same machine."""
        try:
            if not self.path.exists():
                self._make(head_line(basis))
            self._file = self.path.open("r+b")
            _lock(self._file, self.path)
            return self._read(self._file, basis.machine)
        except OSError as error:
            self.close()
            raise self._trouble(error) from None
        except SoftctlError:
            self.close()
            raise

    def keep(self, attempt: Attempt) -> None:
        """Add an attempt, and return when the disk has it; raises SoftctlError."""
        assert self._file is not None, "the session is not open"
        try:
            self._file.write(attempt_line(attempt).encode())
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError as error:
            raise self._trouble(error) from None

    def set_aside(self) -> Path | None:
        """Move a session that is there out of the way of a new one; where it is now."""
        if not self.path.exists():
            return None
        for number in range(1, 10_000):
            place = self.path.with_suffix(f".{number}{self.path.suffix}")
            if not place.exists():
                self.path.rename(place)
                return place
        raise SoftctlError(f"expected room for another session beside {shown_path(self.path)}")

    def close(self) -> None:
        """Let the file go."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _make(self, head: str) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        beside = self.path.with_name(f"{self.path.name}.new")
        with beside.open("wb") as file:
            file.write(head.encode())
            file.flush()
            os.fsync(file.fileno())
        beside.replace(self.path)

    def _read(self, file: BinaryIO, machine: str) -> Session:
        raw = file.read()
        end = raw.rfind(b"\n") + 1
        try:
            text = raw[:end].decode("utf-8")
        except UnicodeDecodeError:
            raise SoftctlError(
                f"expected a checkout's session, got no UTF-8 ({shown_path(self.path)})"
            ) from None
        session = parse_session(text, shown_path(self.path))
        if session.basis.machine != machine:
            raise SoftctlError(
                f"expected a checkout of {machine}, got one of {session.basis.machine} "
                f"({shown_path(self.path)})"
            )
        self.was_torn = end < len(raw)
        file.truncate(end)
        file.seek(end)
        return session

    def _trouble(self, error: OSError) -> SoftctlError:
        reason = error.strerror or str(error)
        return SoftctlError(f"expected to keep a checkout in {self.path}, got {reason}")


def _lock(file: BinaryIO, path: Path) -> None:
    """Nobody else may add lines meanwhile; where the system has no locks, nobody is asked."""
    try:
        import fcntl
    except ImportError:
        return
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise SoftctlError(
            f"expected a session that nobody works on, got {shown_path(path)}, which another "
            "checkout has open"
        ) from None
