"""Forces with a reason and an end: which, since when, by whom, and for how long still."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from softctl.errors import SoftctlError
from softctl.logic import Instance

MAX_FORCE_NS = 8 * 3_600_000_000_000
"""A force is for a shift at most (common practice); who needs it longer sets it again."""


@dataclass(frozen=True, slots=True)
class Force:
    """A variable that a person holds at a value until `until_ns`."""

    path: str
    value: Any
    until_ns: int
    source: str
    reason: str


@dataclass(frozen=True, slots=True)
class ForceChange:
    """A force that began or ended: `what` is "forced", "released" or "expired"."""

    at_ns: int
    force: Force
    what: str
    source: str


class Forces:
    """The forces of one controller; each ends by itself."""

    def __init__(self, instance: Instance) -> None:
        self._instance = instance
        self._held: dict[str, Force] = {}

    def __bool__(self) -> bool:
        """True while any force is in effect."""
        return bool(self._held)

    @property
    def held(self) -> list[Force]:
        """The forces that are in effect, in the order in which they began."""
        return list(self._held.values())

    def bind(self, instance: Instance) -> None:
        """Go on with an instance that has taken over the forces of the one before."""
        self._instance = instance
        self._held = {key: one for key, one in self._held.items() if one.path in instance.forces}

    def force(
        self, path: str, value: Any, *, for_ns: int, now_ns: int, source: str, reason: str
    ) -> ForceChange:
        """Hold a variable for a time; a second force on it replaces the first.

        Raises SoftctlError for a path, value or time that cannot be.
        """
        if not 0 < for_ns <= MAX_FORCE_NS:
            raise SoftctlError(
                f"expected a time above 0 and up to {MAX_FORCE_NS // 10**9} s for a force, "
                f"got {for_ns / 1e9:g} s"
            )
        key = path.upper()
        if key in self._held:
            path = self._held[key].path
        self._instance.force(path, value)
        force = Force(path, value, now_ns + for_ns, source, reason)
        self._held[key] = force
        return ForceChange(now_ns, force, "forced", source)

    def release(self, path: str, *, now_ns: int, source: str) -> ForceChange:
        """Let a variable go; raises SoftctlError if it is not forced."""
        force = self._held.get(path.upper())
        if force is None:
            known = ", ".join(one.path for one in self.held) or "nothing is"
            raise SoftctlError(f"expected the path of a forced variable ({known}), got {path}")
        return self._end(force, "released", now_ns, source)

    def release_all(self, *, now_ns: int, source: str) -> list[ForceChange]:
        """Let everything go."""
        return [self._end(force, "released", now_ns, source) for force in self.held]

    def expire(self, now_ns: int) -> Iterator[ForceChange]:
        """End the forces whose time is over; to be called before each scan."""
        for force in self.held:
            if now_ns >= force.until_ns:
                yield self._end(force, "expired", now_ns, "")

    def _end(self, force: Force, what: str, now_ns: int, source: str) -> ForceChange:
        del self._held[force.path.upper()]
        self._instance.release(force.path)
        return ForceChange(now_ns, force, what, source)
