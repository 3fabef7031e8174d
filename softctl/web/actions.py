"""What people may do on a page: each deed with the least role for it, and its place in the
journal.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from typing import Any, NamedTuple

from softctl.errors import SoftctlError
from softctl.machine import Value
from softctl.web.access import Person, Role
from softctl.web.bench import Bench
from softctl.web.typed import typed_value

Message = Mapping[str, Any]
Deed = Callable[[Person, Message], Awaitable[Mapping[str, Any]]]

SECOND_NS = 1_000_000_000


class Act(NamedTuple):
    """A deed, and who may do it."""

    role: Role
    deed: Deed


class Actions:
    """The deeds of one bench by the names that a page asks for them with."""

    def __init__(self, acts: Mapping[str, Act]) -> None:
        self._acts = dict(acts)

    async def do(self, person: Person, message: Message) -> Mapping[str, Any]:
        """Do what a message asks; raises SoftctlError with what was expected instead."""
        name = message.get("do")
        act = self._acts.get(name) if isinstance(name, str) else None
        if act is None:
            known = ", ".join(self._acts)
            raise SoftctlError(f"expected something to do among {known}; got {name}")
        person.require(act.role, str(name))
        return await act.deed(person, message)


def control_acts(bench: Bench) -> dict[str, Act]:
    """Commands, set points, alarms, forces and programs: what the controller deals with."""

    async def command(person: Person, message: Message) -> Mapping[str, Any]:
        name = text(message, "name")
        return await bench.ask({"do": "write", "name": name, "value": True, "by": person.source})

    async def put(person: Person, message: Message) -> Mapping[str, Any]:
        name = text(message, "name")
        value = _value_for(bench, name, message)
        return await bench.ask({"do": "write", "name": name, "value": value, "by": person.source})

    async def alarm(person: Person, message: Message) -> Mapping[str, Any]:
        request = {
            "do": "alarm",
            "name": text(message, "name"),
            "act": text(message, "act"),
            "for_ns": _duration_ns(message, "for_s", 0.0),
        }
        return await bench.ask({**request, "by": person.source})

    async def force(person: Person, message: Message) -> Mapping[str, Any]:
        reason = text(message, "reason").strip()
        if not reason:
            raise SoftctlError("expected a reason for the force, got none")
        request = {
            "do": "force",
            "path": text(message, "path"),
            "value": _value_for(bench, text(message, "path"), message),
            "for_ns": _duration_ns(message, "for_s"),
            "reason": reason,
        }
        return await bench.ask({**request, "by": person.source})

    async def release(person: Person, message: Message) -> Mapping[str, Any]:
        path = None if message.get("path") is None else text(message, "path")
        return await bench.ask({"do": "release", "path": path, "by": person.source})

    async def stop(person: Person, _: Message) -> Mapping[str, Any]:
        return await bench.ask({"do": "stop", "by": person.source})

    async def restart(person: Person, message: Message) -> Mapping[str, Any]:
        cold = flag(message, "cold")
        return await bench.ask({"do": "restart", "cold": cold, "by": person.source})

    async def load(person: Person, message: Message) -> Mapping[str, Any]:
        files = message.get("files")
        if not isinstance(files, dict) or not files:
            raise SoftctlError(f"expected files as a mapping of names to texts, got {files!r:.60}")
        sources = [[str(name), str(content)] for name, content in files.items()]
        return await bench.ask({"do": "load", "sources": sources, "by": person.source})

    return {
        "command": Act(Role.OPERATE, command),
        "set": Act(Role.OPERATE, put),
        "alarm": Act(Role.OPERATE, alarm),
        "force": Act(Role.ENGINEER, force),
        "release": Act(Role.ENGINEER, release),
        "stop": Act(Role.ENGINEER, stop),
        "restart": Act(Role.ENGINEER, restart),
        "load": Act(Role.ENGINEER, load),
    }


def _value_for(bench: Bench, path: str, message: Message) -> Value:
    """The value of a message for a point, or for another variable as it was written."""
    value = plain(message, "value")
    point = bench.machine.points.get(path)
    return value if point is None else typed_value(point, value)


# What a message has to hold


def text(message: Message, key: str) -> str:
    """A text of a message; raises SoftctlError."""
    value = message.get(key)
    if not isinstance(value, str):
        raise SoftctlError(f"expected a text for {key}, got {_got(message, key)}")
    return value


def number(message: Message, key: str, default: float | None = None) -> float:
    """A finite number of a message, or the default where it says nothing; SoftctlError."""
    value = message.get(key)
    if value is None and default is not None:
        return default
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e300:
        raise SoftctlError(f"expected a number for {key}, got {_got(message, key)}")
    return float(value)


def flag(message: Message, key: str) -> bool:
    """A yes or no of a message, no where it says nothing; raises SoftctlError."""
    value = message.get(key, False)
    if not isinstance(value, bool):
        raise SoftctlError(f"expected true or false for {key}, got {_got(message, key)}")
    return value


def plain(message: Message, key: str) -> Value:
    """A single value of a message; raises SoftctlError."""
    value = message.get(key)
    if not isinstance(value, bool | int | float | str):
        raise SoftctlError(f"expected a single value for {key}, got {_got(message, key)}")
    return value


def _duration_ns(message: Message, key: str, default: float | None = None) -> int:
    return int(number(message, key, default) * SECOND_NS)


def _got(message: Message, key: str) -> str:
    return f"{message[key]!r:.60}" if message.get(key) is not None else "nothing"
