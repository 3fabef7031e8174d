"""Several connections: none may disturb another, and none that has gone may be missed."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from softctl.conform.cases import MTG, PRACTICE, Case
from softctl.conform.steps import Close, Hear, Open, Pause, Script, Send, Unmet
from softctl.conform.talk import Talk
from softctl.conform.wire import frame

GROUP = "clients"
_MANAGED = f"{MTG}, 4.2 (connection management)"
_APART = f"{MTG}, 4.3 and 4.4.2 (a transaction belongs to its connection); {PRACTICE}"
_STORM = 50


def cases() -> Iterator[Case]:
    """Every case with more than one connection."""
    rows = (
        (
            "two",
            "Two clients with requests under way get their own answers",
            _MANAGED,
            partial(_many, 2),
        ),
        (
            "eight",
            "Of eight clients, those that are let in get their own answers",
            _MANAGED,
            partial(_many, 8),
        ),
        ("same-transaction", "Two clients may use the same transaction id", _APART, _same),
        ("halves", "Halves of two clients' frames are not mixed", _APART, _halves),
        ("stalled", "Half a frame of one client does not hold up another", _APART, _stalled),
        ("idle-16", "Sixteen idle connections do not keep a new client out", _MANAGED, _idle),
        ("lost-framing", "A client that spoils its stream spoils no other's", _APART, _spoilt),
        ("reconnect-50", "50 clients in a row connect, ask, and close", _MANAGED, _reconnect),
        (
            "reset-50",
            "After 50 connections were reset while waiting, a client is served",
            _MANAGED,
            _reset,
        ),
        (
            "no-request-50",
            "After 50 connections without a request, a client is served",
            _MANAGED,
            _empty,
        ),
        (
            "mid-frame-20",
            "After 20 clients left inside a frame, a client is served",
            _MANAGED,
            _leave,
        ),
        (
            "unread-64",
            "After a client left 64 answers unread, a client is served",
            _MANAGED,
            _unread,
        ),
    )
    for name, title, clause, play in rows:
        yield Case(f"clients-{name}", GROUP, title, clause, (), play)


def _many(count: int, talk: Talk) -> Script[None]:
    """All ask before any is heard; a server may let in fewer, but at least two."""
    requests = [talk.harmless(index) for index in range(count)]
    numbers = [talk.transaction() for _ in range(count)]
    for line in range(count):
        yield Open(line)
    for line in range(count):
        yield Send(line, frame(numbers[line], talk.site.unit, requests[line]))
    served = 0
    for line in range(count):
        heard = yield Hear(line, 1)
        if heard.is_closed and not heard.raw:
            continue
        if not heard.replies:
            raise Unmet(f"an answer on connection {line}, or its end", "neither in time")
        if heard.replies[0].transaction != numbers[line]:
            raise Unmet(
                f"transaction id {numbers[line]:04X} on connection {line}",
                f"{heard.replies[0].transaction:04X}",
            )
        talk.require_harmless(heard.replies[0].pdu, requests[line])
        served += 1
    if served < 2:
        raise Unmet("at least two clients to be served", str(served))


def _same(talk: Talk) -> Script[None]:
    requests = [talk.harmless(index) for index in range(2)]
    for line, request in enumerate(requests):
        yield Send(line, frame(0x7777, talk.site.unit, request))
    for line, request in enumerate(requests):
        (reply,) = yield from talk.hear(1, line)
        talk.require_harmless(reply.pdu, request)


def _halves(talk: Talk) -> Script[None]:
    """The cut lies behind the header, the same in both, so that mixed halves look right."""
    requests = [talk.harmless(0), talk.harmless(1)]
    frames = [talk.frame(request) for request in requests]
    for line in (0, 1):
        yield Send(line, frames[line][:9])
    yield Pause()
    for line in (0, 1):
        yield Send(line, frames[line][9:])
    for line in (0, 1):
        (reply,) = yield from talk.hear(1, line)
        talk.require_harmless(reply.pdu, requests[line])


def _stalled(talk: Talk) -> Script[None]:
    yield Send(0, talk.frame(talk.harmless())[:8])
    yield Pause()
    yield from talk.require_served(1)


def _idle(talk: Talk) -> Script[None]:
    """A full pool closes its oldest unused connection, says the guide."""
    for line in range(16):
        yield Open(line)
    yield from talk.require_served(16)


def _spoilt(talk: Talk) -> Script[None]:
    yield from talk.probe(1)
    yield Send(0, b"\0\1\0\0\0\0\1" + b"\xff" * 20)
    yield Pause()
    yield from talk.probe(1)


def _reconnect(talk: Talk) -> Script[None]:
    for line in range(_STORM):
        yield from talk.require_served(line)


def _reset(talk: Talk) -> Script[None]:
    for line in range(_STORM):
        yield Send(line, talk.frame(talk.harmless()))
        yield Close(line, reset=True)
    yield from talk.require_served(_STORM)


def _empty(talk: Talk) -> Script[None]:
    for line in range(_STORM):
        yield Open(line)
        yield Close(line)
    yield from talk.require_served(_STORM)


def _leave(talk: Talk) -> Script[None]:
    for line in range(20):
        yield Send(line, talk.frame(talk.harmless())[: 1 + line % 11])
        yield Close(line)
    yield from talk.require_served(20)


def _unread(talk: Talk) -> Script[None]:
    yield Send(0, b"".join(talk.frame(talk.harmless(index)) for index in range(64)))
    yield Close(0)
    yield from talk.require_served(1)
