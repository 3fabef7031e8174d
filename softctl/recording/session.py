"""A session of requests as lines of JSON.

The first line is the head, every other one an event of one connection: it began, it asked
and was answered, it ended. Times are seconds from the first event.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from softctl.errors import Place, Problem, ProblemsError
from softctl.modbus.frames import HEADER_BYTES, MAX_LENGTH, MIN_LENGTH

VERSION = 1

_READING = frozenset({0x01, 0x02, 0x03, 0x04, 0x07, 0x0B, 0x0C, 0x11, 0x14, 0x18})
"""Functions that only read (Modbus Application Protocol V1.1b3, section 6)."""

_IDENTIFICATION = b"\x2b\x0e"


@dataclass(frozen=True, slots=True)
class Opened:
    """A connection began; `name` is who it was, such as 127.0.0.1:53100."""

    at_ns: int
    client: int
    name: str


@dataclass(frozen=True, slots=True)
class Exchange:
    """A request frame and its reply frame, None where there was none."""

    at_ns: int
    client: int
    request: bytes
    reply: bytes | None


@dataclass(frozen=True, slots=True)
class Closed:
    """A connection ended."""

    at_ns: int
    client: int


Event = Opened | Exchange | Closed


@dataclass(frozen=True, slots=True)
class Session:
    """What was recorded: of which machine, at which of its servers, when, and the events."""

    machine: str
    server: str
    started: str
    events: tuple[Event, ...]

    @property
    def exchanges(self) -> list[Exchange]:
        """The requests with their replies, in order."""
        return [event for event in self.events if isinstance(event, Exchange)]


def head_line(machine: str, server: str, started: str) -> str:
    """The first line of a file."""
    head = {"recording": VERSION, "machine": machine, "server": server, "started": started}
    return json.dumps(head) + "\n"


def to_line(event: Event) -> str:
    """One event as a line."""
    fields: dict[str, object] = {"at_s": round(event.at_ns / 1e9, 6), "client": event.client}
    if isinstance(event, Opened):
        fields["opened"] = event.name
    elif isinstance(event, Closed):
        fields["closed"] = True
    else:
        fields["request"] = event.request.hex()
        fields["reply"] = None if event.reply is None else event.reply.hex()
    return json.dumps(fields) + "\n"


def parse_session(text: str, file: str) -> Session:
    """Read a recording; raises ProblemsError with every line that is wrong."""
    problems: list[Problem] = []
    head: dict[str, Any] = {}
    events: list[Event] = []
    for number, line in enumerate(text.splitlines(), 1):
        try:
            if number == 1:
                head = _read_head(line)
            elif line.strip():
                events.append(_read_event(_object(line)))
        except ValueError as error:
            problems.append(Problem(str(error), Place(file, number, 1)))
    if not text.strip():
        problems.append(Problem("expected a recording, got an empty file", Place(file)))
    if problems:
        raise ProblemsError(problems)
    events.sort(key=lambda event: event.at_ns)
    machine, server, started = (
        str(head.get(name, "")) for name in ("machine", "server", "started")
    )
    return Session(machine, server, started, tuple(events))


def changing(exchanges: Iterable[Exchange]) -> list[int]:
    """The functions asked for that may change a device: all that are not known to read."""
    found = {
        one.request[HEADER_BYTES]
        for one in exchanges
        if one.request[HEADER_BYTES] not in _READING
        and not one.request[HEADER_BYTES:].startswith(_IDENTIFICATION)
    }
    return sorted(found)


def bursts(events: Iterable[Event]) -> Iterator[list[Event]]:
    """The events of one connection, with requests that came in one instant together."""
    burst: list[Event] = []
    for event in events:
        joins = (
            burst
            and isinstance(event, Exchange)
            and isinstance(burst[-1], Exchange)
            and event.at_ns == burst[-1].at_ns
        )
        if burst and not joins:
            yield burst
            burst = []
        burst.append(event)
    if burst:
        yield burst


def _read_head(line: str) -> dict[str, Any]:
    head = _object(line)
    if head.get("recording") != VERSION:
        raise ValueError(
            f'expected a recording that begins with {{"recording": {VERSION}, …}}, got {line[:40]}'
        )
    return head


def _object(line: str) -> dict[str, Any]:
    try:
        found = json.loads(line)
    except ValueError:
        found = None
    if not isinstance(found, dict):
        raise ValueError(f"expected a JSON object, got {line[:40]}")
    return found


def _read_event(fields: dict[str, Any]) -> Event:
    at_s, client = fields.get("at_s"), fields.get("client")
    if isinstance(at_s, bool) or not isinstance(at_s, int | float) or not 0 <= at_s < 1e9:
        raise ValueError(f"expected at_s, the seconds since the start, got {at_s}")
    if isinstance(client, bool) or not isinstance(client, int):
        raise ValueError(f"expected client, a number, got {client}")
    at_ns = round(at_s * 1e9)
    if "opened" in fields:
        return Opened(at_ns, client, str(fields["opened"]))
    if "closed" in fields:
        return Closed(at_ns, client)
    reply = fields.get("reply")
    return Exchange(
        at_ns,
        client,
        _frame("request", fields.get("request")),
        None if reply is None else _frame("reply", reply),
    )


def _frame(name: str, text: object) -> bytes:
    try:
        frame = bytes.fromhex(str(text))
    except ValueError:
        raise ValueError(f"expected {name} as hex digits, got {str(text)[:40]}") from None
    length = int.from_bytes(frame[4:6], "big")
    if not MIN_LENGTH <= length <= MAX_LENGTH or len(frame) != 6 + length:
        raise ValueError(
            f"expected {name} as a whole Modbus/TCP frame, got {len(frame)} bytes with the "
            f"length field {length}"
        )
    return frame
