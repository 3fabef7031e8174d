"""Variables held at a value by a person, whatever the program writes.

Forcing swaps the one object that holds the variable to a subclass of its class, with a
property in place of the variable: reading gives the force, writing goes to the slot
beneath. So the value that the program wrote stays visible and comes back on release, other
instances of the same block know nothing of it, and unforced scans pay nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from inspect import isfunction
from types import FunctionType
from typing import Any

from softctl.errors import SoftctlError


@dataclass
class _Hold:
    """What is forced in one object: values by attribute."""

    owner: Any
    base: type
    values: dict[str, Any] = field(default_factory=dict)


class ForceBook:
    """The forces of one instance, by object and attribute."""

    def __init__(self) -> None:
        self._holds: dict[int, _Hold] = {}
        self._shown: dict[tuple[int, str], str] = {}

    def force(self, path: str, owner: Any, name: str, value: Any) -> None:
        """Hold an attribute of an object; `path` is what `shown` calls it."""
        hold = self._holds.setdefault(id(owner), _Hold(owner, type(owner)))
        hold.values[name] = value
        self._shown.setdefault((id(owner), name), path)
        owner.__class__ = _forced_class(hold)

    def release(self, path: str, owner: Any, name: str) -> None:
        """Let an attribute go; raises SoftctlError if nothing holds it."""
        hold = self._holds.get(id(owner))
        if hold is None or name not in hold.values:
            forced = ", ".join(self._shown.values()) or "nothing is"
            raise SoftctlError(f"expected the path of a forced variable ({forced}), got {path}")
        del hold.values[name], self._shown[id(owner), name]
        if hold.values:
            owner.__class__ = _forced_class(hold)
        else:
            owner.__class__ = hold.base
            del self._holds[id(owner)]

    def release_all(self) -> None:
        """Let everything go."""
        for hold in self._holds.values():
            hold.owner.__class__ = hold.base
        self._holds.clear()
        self._shown.clear()

    def written(self, owner: Any, name: str) -> Any:
        """The value beneath a force, or simply the value."""
        hold = self._holds.get(id(owner))
        slot = getattr(hold.base if hold else type(owner), name)
        return slot.__get__(owner)

    def shown(self) -> dict[str, Any]:
        """The forces by path, in the order in which they were set."""
        return {path: self._holds[key].values[name] for (key, name), path in self._shown.items()}


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
