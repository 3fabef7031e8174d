"""What is audited: one server's map, or the devices of many servers.

A connection may reach several devices, at unit ids of one server. What it asked is then split
by unit id; what is about the connection itself is judged once for the server.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from softctl.audit.observe import ClientLog
from softctl.audit.uses import Map

_UNIT_BYTE = 6


@dataclass(frozen=True, slots=True)
class Part:
    """A map and what was asked of it; `device` names it, and is empty for the only one.

    `has_points` is False for what is about a server and none of its devices, and
    `has_connections` for a device that shares its connections with others.
    """

    device: str
    map: Map
    logs: Sequence[ClientLog]
    has_points: bool = True
    has_connections: bool = True


def split_by_unit(
    server: str, devices: Mapping[int, tuple[str, Map]], logs: Sequence[ClientLog]
) -> Iterator[Part]:
    """A part for each device of a server by its unit id, and one for the server itself."""
    if len(devices) == 1:
        for device, map_ in devices.values():
            yield Part(device, map_, logs)
        return
    for unit, (device, map_) in devices.items():
        found = [_only(log, lambda at, unit=unit: at == unit) for log in logs]  # type: ignore[misc]
        asked = [log for log in found if log.requests]
        yield Part(device, map_, asked, has_connections=False)
    _, any_map = next(iter(devices.values()))
    rest = [_only(log, lambda at: at not in devices) for log in logs]
    yield Part(server, any_map, rest, has_points=False)


def _only(log: ClientLog, keep: Callable[[int], bool]) -> ClientLog:
    """The connection with what it asked of some unit ids."""
    reads = {key: one for key, one in log.reads.items() if keep(one.frame[_UNIT_BYTE])}
    writes = [one for one in log.writes if keep(one.frame[_UNIT_BYTE])]
    refused = {key: one for key, one in log.refused.items() if keep(one.frame[_UNIT_BYTE])}
    others = len(writes) + sum(one.count for one in refused.values())
    return replace(log, reads=reads, writes=writes, refused=refused, others=others)
