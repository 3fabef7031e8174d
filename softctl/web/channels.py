"""What a page shows live: names in a fixed order, read together.

A name is given once, in the model; from then on only its place travels. Viewers may ask for
more names, which come behind the others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any, NamedTuple

from softctl.errors import SoftctlError

Read = Callable[[], Sequence[Any]]

MOST_SUBSCRIBED = 10_000
"""Names that all viewers together may add, until the last one of them has gone."""


class Group(NamedTuple):
    """Some channels that one function reads, in their order."""

    names: tuple[str, ...]
    read: Read


class Channels:
    """All channels of one bench.

    `find` gives what reads a name that somebody asks for; it raises SoftctlError for one
    that stands for nothing.
    """

    def __init__(self, standing: Iterable[Group], find: Callable[[str], Read]) -> None:
        self._find = find
        self._groups = [group for group in standing if group.names]
        self._standing = len(self._groups)
        self._first: dict[tuple[str, ...], int] = {}
        self.names = [name for group in self._groups for name in group.names]
        self._count = len(self.names)

    def read(self) -> list[Any]:
        """The values of all channels, in their order."""
        return [value for group in self._groups for value in group.read()]

    def known(self, names: Sequence[str]) -> tuple[list[str], list[str]]:
        """Those of some names that stand for something, and the others."""
        known, unknown = [], []
        for name in names:
            try:
                self._find(name)
            except SoftctlError:
                unknown.append(name)
            else:
                known.append(name)
        return known, unknown

    def subscribe(self, names: Sequence[str]) -> int:
        """Add names behind the others, unless they are there already; the place of the first.

        Raises SoftctlError for an unknown name, and for too many.
        """
        wanted = tuple(names)
        if wanted in self._first:
            return self._first[wanted]
        room = MOST_SUBSCRIBED - (len(self.names) - self._count)
        if len(wanted) > room:
            raise SoftctlError(f"expected at most {room} more channels, got {len(wanted)}")
        reads = [self._find(name) for name in wanted]
        first = self._first[wanted] = len(self.names)
        self._groups.append(Group(wanted, lambda: [read()[0] for read in reads]))
        self.names += wanted
        return first

    def forget_subscriptions(self) -> None:
        """Take back what was added; to be called when nobody looks any more."""
        del self._groups[self._standing :], self.names[self._count :]
        self._first.clear()
