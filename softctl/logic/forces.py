"""Variables held at a value by a person, whatever the program writes.

Forcing swaps the one object that holds the variable to a subclass of its class, with a
property in place of the variable: reading gives the force, writing goes to the slot
beneath. So the value that the program wrote stays visible and comes back on release, other
instances of the same block know nothing of it, and unforced scans pay nothing. Elements of
arrays are held by `held_arrays`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from inspect import isfunction
from types import FunctionType
from typing import Any

from softctl.errors import SoftctlError
from softctl.logic.held_arrays import HeldArray


@dataclass
class _Hold:
    """What is forced in one object: values by attribute."""

    owner: Any
    base: type
    values: dict[str, Any] = field(default_factory=dict)


Swap = Callable[[list[Any], list[Any]], None]
"""Puts another list in the place of one, everywhere in an instance."""


class ForceBook:
    """The forces of one instance, by object and attribute, or array and index."""

    def __init__(self, swap: Swap) -> None:
        self._swap = swap
        self._holds: dict[int, _Hold] = {}
        self._arrays: dict[int, HeldArray] = {}
        self._shown: dict[tuple[int, str | int], str] = {}

    def __len__(self) -> int:
        return len(self._shown)

    def force(self, path: str, owner: Any, name: str | int, value: Any) -> None:
        """Hold an attribute of an object, or an element; `path` is what `shown` calls it."""
        if isinstance(name, int):
            owner = self._held(owner)
            owner.hold(name, value)
        else:
            hold = self._holds.setdefault(id(owner), _Hold(owner, type(owner)))
            hold.values[name] = value
            owner.__class__ = _forced_class(hold)
        self._shown.setdefault((id(owner), name), path)

    def _held(self, array: list[Any]) -> HeldArray:
        if isinstance(array, HeldArray):
            return array
        held = HeldArray(array)
        self._swap(array, held)
        self._arrays[id(held)] = held
        return held

    def release(self, path: str, owner: Any, name: str | int) -> None:
        """Let an attribute or element go; raises SoftctlError if nothing holds it."""
        if self._shown.pop((id(owner), name), None) is None:
            forced = ", ".join(self._shown.values()) or "nothing is"
            raise SoftctlError(f"expected the path of a forced variable ({forced}), got {path}")
        if isinstance(name, int):
            self._release_element(owner, name)
            return
        hold = self._holds[id(owner)]
        del hold.values[name]
        if hold.values:
            owner.__class__ = _forced_class(hold)
        else:
            owner.__class__ = hold.base
            del self._holds[id(owner)]

    def _release_element(self, array: HeldArray, index: int) -> None:
        array.release(index)
        if not array.held:
            del self._arrays[id(array)]
            self._swap(array, array.freed())

    def release_all(self) -> None:
        """Let everything go."""
        for hold in self._holds.values():
            hold.owner.__class__ = hold.base
        for array in self._arrays.values():
            self._swap(array, array.freed())
        self._holds.clear()
        self._arrays.clear()
        self._shown.clear()

    def written(self, owner: Any, name: str | int) -> Any:
        """The value beneath a force, or simply the value."""
        if isinstance(name, int):
            return owner[:][name]
        hold = self._holds.get(id(owner))
        slot = getattr(hold.base if hold else type(owner), name)
        return slot.__get__(owner)

    def shown(self) -> dict[str, Any]:
        """The forces by path, in the order in which they were set."""
        return {path: self._value(*key) for key, path in self._shown.items()}

    def _value(self, owner: int, name: str | int) -> Any:
        if isinstance(name, int):
            return self._arrays[owner].held[name]
        return self._holds[owner].values[name]


def place_elsewhere(owner: Any, name: str, home: Any, place: str) -> None:
    """Let an attribute of an object be an attribute of another one from now on."""
    base = type(owner)

    def read(_: Any) -> Any:
        return getattr(home, place)

    def write(_: Any, value: Any) -> None:
        setattr(home, place, value)

    owner.__class__ = type(base.__name__, (base,), {"__slots__": (), name: property(read, write)})


def _forced_class(hold: _Hold) -> type:
    base = hold.base
    members: dict[str, Any] = {
        "__slots__": (),
        **{name: _copy(value) for name, value in vars(base).items() if isfunction(value)},
        "snapshot": _unforced(base, "snapshot"),
        "restore": _unforced(base, "restore"),
    }
    for name, value in hold.values.items():
        members[name] = property(_constant(value), getattr(base, name).__set__)
    return type(base.__name__, (base,), members)


def _copy(function: FunctionType) -> FunctionType:
    """The same function with code of its own.

    The interpreter specialises code to the classes it meets; if forced and unforced objects
    ran the same code, the unforced ones would slow down too.
    """
    code = function.__code__.replace()
    return FunctionType(code, function.__globals__, function.__name__, function.__defaults__)


def _constant(value: Any) -> Callable[[Any], Any]:
    return lambda _: value


def _unforced(base: type, method: str) -> Callable[..., Any]:
    """A method that sees what the program wrote: a snapshot is of the program, not of forces."""
    plain = getattr(base, method, None)

    def run(owner: Any, *arguments: Any) -> Any:
        forced = type(owner)
        owner.__class__ = base
        try:
            assert plain is not None
            return plain(owner, *arguments)
        finally:
            owner.__class__ = forced

    return run
