"""Notices that files have changed and stand still again."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

_Mark = tuple[int, int, int]


class SettledFiles:
    """Some files that people edit while everything runs.

    Editors write in steps, so a change counts when it is still the same at the second look.
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        self._paths = paths
        self._known = self._seen = self._marks()

    def have_changed(self) -> bool:
        """Look; True once for each change, at the look that finds it settled."""
        before, self._seen = self._seen, self._marks()
        if self._seen == before != self._known:
            self._known = self._seen
            return True
        return False

    def _marks(self) -> list[_Mark | None]:
        return [_mark(path) for path in self._paths]


def _mark(path: Path) -> _Mark | None:
    """What changes when the file does; None when it is not there."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino
