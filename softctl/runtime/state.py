"""Where a controller keeps what outlives it, and its warm or cold start."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from softctl.control import Controller
from softctl.control.retain import Retained
from softctl.errors import SoftctlError
from softctl.runtime.events import EventSink
from softctl.runtime.retain_file import RetainFile

JOURNAL_FILE = "journal.sqlite"
SERVICE_SOCKET = "service"


def state_directory(folder: Path, machine: str) -> Path:
    """The directory for a machine folder's state, by the XDG base directory rules.

    Two folders with machines of one name have a directory each.
    """
    base = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    mark = hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:8]
    return Path(base) / "softctl" / f"{machine}-{mark}"


class StateKeeper:
    """Saves the RETAIN variables of a controller after each scan in which one changed.

    A start is warm, unless it is to be cold: then what was saved is left alone until a
    variable changes.
    """

    def __init__(self, controller: Controller, directory: Path, *, cold: bool = False) -> None:
        self._is_cold = cold
        self.trouble = ""
        """Why values could not be saved the last time, or "" when they could."""
        self.bind(controller)
        self._file = RetainFile(directory / "retain")

    def bind(self, controller: Controller) -> None:
        """Save what the controller runs now."""
        self._retained = Retained(controller.application, controller.instance)

    def start(self, sink: EventSink) -> None:
        """Give the variables their saved values, if there are any and the start is warm.

        Raises SoftctlError for a file that cannot be read or is none of ours.
        """
        if not self._retained.paths or self._is_cold:
            return
        saved = self._file.load()
        if saved is None:
            return
        warm = self._retained.load(saved)
        sink("warm start", restored=warm.restored)
        if warm.lost:
            sink("RETAIN values that no longer fit", lost=", ".join(warm.lost))

    def save(self) -> None:
        """To be called after each scan, before its outputs go out.

        A disk that takes nothing is told in `trouble` and does not hold up control: the
        next change of a value tries again.
        """
        changed = self._retained.changed() if self._retained.paths else None
        if changed is None:
            return
        try:
            self._file.save(changed)
        except SoftctlError as error:
            self.trouble = str(error)
        else:
            self.trouble = ""

    def close(self) -> None:
        """Let the file go."""
        self._file.close()
