"""Arrays with single elements held at a value by a person.

An array is a plain list while nothing in it is forced. The first force puts a `HeldArray`
in its place wherever the list is referred to, and the last release puts the same list back,
so unforced arrays cost nothing. The items of a held array are what a program reads; what it
wrote to a held element waits beside them. A full slice, which only snapshots take, is what
was written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from operator import setitem
from typing import Any


class HeldArray(list[Any]):
    """The stand-in of a list with some of its elements held."""

    def __init__(self, plain: list[Any]) -> None:
        super().__init__(plain)
        self.plain = plain
        self.held: dict[int, Any] = {}
        self.written: dict[int, Any] = {}

    def hold(self, index: int, value: Any) -> None:
        """Hold an element, or hold it at another value."""
        if index not in self.held:
            self.written[index] = list.__getitem__(self, index)
        self.held[index] = value
        list.__setitem__(self, index, value)

    def release(self, index: int) -> None:
        """Let an element go back to what was written to it."""
        del self.held[index]
        list.__setitem__(self, index, self.written.pop(index))

    def freed(self) -> list[Any]:
        """The plain list again, with what was written."""
        self.plain[:] = self[:]
        return self.plain

    def __getitem__(self, index: Any) -> Any:
        found = list.__getitem__(self, index)
        if isinstance(index, slice):
            for number, value in self.written.items():
                found[number] = value
        return found

    def __setitem__(self, index: Any, value: Any) -> None:
        if isinstance(index, slice):
            for number, item in enumerate(value):
                self[number] = item
        elif index in self.held:
            self.written[index] = value
        else:
            list.__setitem__(self, index, value)


def replace(roots: Iterable[Any], old: list[Any], new: list[Any]) -> None:
    """Put another list in the place of one, wherever the objects below refer to it.

    An array that is an in-out of a block is referred to twice.
    """
    seen: set[int] = set()
    waiting = list(roots)
    while waiting:
        owner = waiting.pop()
        if id(owner) in seen:
            continue
        seen.add(id(owner))
        for part, store in _parts(owner):
            if part is old:
                store(new)
            elif isinstance(part, list) or hasattr(part, "snapshot"):
                waiting.append(part)


def _parts(owner: Any) -> Iterator[tuple[Any, Callable[[Any], None]]]:
    """What an object of generated code or a list refers to, each with a way to replace it."""
    if isinstance(owner, list):
        for index, item in enumerate(owner):
            yield item, partial(setitem, owner, index)
        return
    for kind in type(owner).__mro__:
        for name in getattr(kind, "__slots__", ()):
            if hasattr(owner, name):
                yield getattr(owner, name), partial(setattr, owner, name)
