"""Time controls of a page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from softctl.runtime.time_control import TimeControl
from softctl.web.access import Person, Role
from softctl.web.actions import Act, Message, number


def time_acts(time: TimeControl) -> dict[str, Act]:
    """Pause, go on, single scans, speeds."""

    async def pause(person: Person, _: Message) -> Mapping[str, Any]:
        time.pause(person.source)
        return {}

    async def go(person: Person, _: Message) -> Mapping[str, Any]:
        time.go(person.source)
        return {}

    async def scan(person: Person, _: Message) -> Mapping[str, Any]:
        await time.scan(person.source)
        return {}

    async def speed(person: Person, message: Message) -> Mapping[str, Any]:
        time.set_speed(number(message, "factor"), person.source)
        return {}

    async def as_fast(person: Person, _: Message) -> Mapping[str, Any]:
        time.race(person.source)
        return {}

    deeds = {"pause": pause, "go": go, "scan": scan, "speed": speed, "as_fast": as_fast}
    return {name: Act(Role.ENGINEER, deed) for name, deed in deeds.items()}
