"""One connection as a stream of bytes: frames cut, joined, piled up, spoilt and cut off."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from softctl.conform import judge, pdus
from softctl.conform.cases import MTG, PRACTICE, TCP, Case, Play
from softctl.conform.steps import (
    Close,
    HalfClose,
    Hear,
    NotApplicable,
    Open,
    Pause,
    Script,
    Send,
    Settle,
    Unmet,
)
from softctl.conform.talk import Talk
from softctl.conform.wire import frame, hex_text, split_replies
from softctl.values.tables import Table

GROUP = "stream"
_STREAM = f"{MTG}, 4.3 (TCP carries a stream: a segment is not a frame)"
_PIPELINE = f"{MTG}, 4.4.1 and 4.4.2 (several transactions at once)"
_DISCARD = f"{MTG}, 4.4.2 (what is no request is discarded)"
_HALF_CLOSE = f"{TCP}, 3.6 (a closed sending side can still receive); {PRACTICE}"
_GARBAGE = {
    "text": b"GET / HTTP/1.1\r\nHost: there\r\n\r\n",
    "zeros": b"\0" * 24,
    "ones": b"\xff" * 24,
    "serial-frame": bytes.fromhex("01 03 00 00 00 01 84 0A"),
}


def cases() -> Iterator[Case]:
    """Every case about the stream of one connection."""
    splits = {
        "after-1": ((1,), "after its first byte"),
        "in-length": ((5,), "inside its length field"),
        "after-header": ((7,), "between header and PDU"),
        "before-last": ((11,), "before its last byte"),
        "in-three": ((4, 8), "in three pieces"),
        "every-byte": (tuple(range(1, 12)), "at every byte"),
    }
    for name, (cuts, words) in splits.items():
        title = f"A frame cut {words} is answered"
        yield _case(f"stream-split-{name}", title, _STREAM, partial(_split, cuts))
    title = "A write cut in the middle of its values is done whole"
    yield Case("stream-split-write", GROUP, title, _STREAM, (0x10, 0x03), _split_write)
    rows = (
        ("joined-2", "Two frames in one segment are both answered", _STREAM, partial(_joined, 2)),
        ("joined-3", "Three frames in one segment are all answered", _STREAM, partial(_joined, 3)),
        (
            "joined-half",
            "One frame and a half, then the other half, give two answers",
            _STREAM,
            _half,
        ),
        ("joined-exception", "A refused frame between two others spoils neither", _STREAM, _middle),
        ("joined-foreign", "A frame of another protocol between two is skipped", _STREAM, _foreign),
    )
    for name, title, clause, play in rows:
        yield _case(f"stream-{name}", title, clause, play)
    for count in (2, 16, 64):
        title = f"{count} requests sent before any answer is awaited are each answered once"
        yield _case(f"stream-pipeline-{count}", title, _PIPELINE, partial(_pipeline, count))
    title = "16 requests in one segment are each answered once"
    yield _case("stream-pipeline-16-joined", title, _PIPELINE, partial(_joined, 16))
    title = "Values of pipelined reads belong to their transaction ids"
    yield Case("stream-pipeline-values", GROUP, title, _PIPELINE, (0x10, 0x03), _pipeline_values)
    title = "100 requests, one after the other, are all answered"
    yield _case("stream-hundred", title, _STREAM, _hundred)
    yield _case("stream-silent", "A client that asks nothing is told nothing", _DISCARD, _silent)
    yield _case(
        "stream-nothing-more", "One request gets one answer and no byte more", _DISCARD, _once
    )
    for name, garbage in _GARBAGE.items():
        title = f"Garbage ({name}) is not answered, and a right frame then is answered or cut off"
        play = partial(_garbage, garbage)
        yield _case(f"stream-garbage-{name}", title, _DISCARD, play)
    title = "After half a frame and a close, a new connection is served"
    yield _case("stream-cut-off", title, _DISCARD, _cut_off)
    title = "A client that closes its sending side still gets its answer"
    yield _case("stream-half-close", title, _HALF_CLOSE, _half_close)
    title = "Sixteen answers still come after the sending side was closed"
    yield _case("stream-half-close-16", title, _HALF_CLOSE, _half_close_16)
    title = "A client that closes its sending side without a request is closed"
    yield _case("stream-half-close-idle", title, _HALF_CLOSE, _half_close_idle)


def _case(name: str, title: str, clause: str, play: Play) -> Case:
    return Case(name, GROUP, title, clause, (), play)


def _send_cut(data: bytes, cuts: tuple[int, ...], line: int = 0) -> Script[None]:
    for start, end in zip((0, *cuts), (*cuts, len(data)), strict=True):
        if start:
            yield Pause()
        yield Send(line, data[start:end])


def _split(cuts: tuple[int, ...], talk: Talk) -> Script[None]:
    request = talk.harmless()
    yield from _send_cut(talk.frame(request), cuts)
    (reply,) = yield from talk.hear(1)
    talk.require_harmless(reply.pdu, request)


def _split_write(talk: Talk) -> Script[None]:
    address = talk.writable(Table.HOLDING_REGISTERS, 3)
    yield from talk.write(Table.HOLDING_REGISTERS, address, [0x1111] * 3)
    values = [0x0123, 0x4567, 0x89AB]
    pdu = pdus.write_registers(address, values)
    yield from _send_cut(talk.frame(pdu), (7, 14, 17))
    (reply,) = yield from talk.hear(1)
    judge.require_echo(reply.pdu, pdu[:5])
    yield from talk.require_memory(Table.HOLDING_REGISTERS, address, values)


def _requests(talk: Talk, count: int) -> dict[int, bytes]:
    """Requests by transaction id, neighbours with different quantities where possible."""
    return {talk.transaction(): talk.harmless(index) for index in range(count)}


def _frames(talk: Talk, requests: dict[int, bytes]) -> list[bytes]:
    return [frame(number, talk.site.unit, pdu) for number, pdu in requests.items()]


def _joined(count: int, talk: Talk) -> Script[None]:
    requests = _requests(talk, count)
    yield Send(0, b"".join(_frames(talk, requests)))
    yield from talk.require_all_harmless(requests, may_be_busy=count > 1)


def _half(talk: Talk) -> Script[None]:
    requests = _requests(talk, 2)
    data = b"".join(_frames(talk, requests))
    yield from _send_cut(data, (len(data) * 3 // 4,))
    yield from talk.require_all_harmless(requests)


def _middle(talk: Talk) -> Script[None]:
    requests = _requests(talk, 2)
    first, last = _frames(talk, requests)
    refused = talk.transaction()
    yield Send(0, first + frame(refused, talk.site.unit, b"\x40") + last)
    replies = yield from talk.hear(3)
    found = {reply.transaction: reply.pdu for reply in replies}
    for number, request in requests.items():
        talk.require_harmless(found.get(number, b""), request)
    judge.require_exception(found.get(refused, b""), 0x40, 0x01)


def _foreign(talk: Talk) -> Script[None]:
    requests = _requests(talk, 2)
    first, last = _frames(talk, requests)
    foreign = frame(talk.transaction(), talk.site.unit, talk.harmless(2), protocol=0x0005)
    yield Send(0, first + foreign + last)
    yield from talk.require_all_harmless(requests)


def _pipeline(count: int, talk: Talk) -> Script[None]:
    """A server may refuse what is too much for it with exception 06, but must say so."""
    requests = _requests(talk, count)
    for data in _frames(talk, requests):
        yield Send(0, data)
    yield from talk.require_all_harmless(requests, may_be_busy=True)


def _pipeline_values(talk: Talk) -> Script[None]:
    """Every register holds another value, so that a reply with a neighbour's id is seen."""
    known = talk.site.area(Table.HOLDING_REGISTERS).writable
    count = min(known.count if known else 2, 16)
    address = talk.writable(Table.HOLDING_REGISTERS, max(count, 2))
    values = [0x1234 + 0x0101 * index for index in range(count)]
    yield from talk.write(Table.HOLDING_REGISTERS, address, values)
    expected = {talk.transaction(): index for index in range(count)}
    for number, index in expected.items():
        yield Send(0, frame(number, talk.site.unit, pdus.read(0x03, address + index, 1)))
    for reply in (yield from talk.hear(count)):
        index = expected.get(reply.transaction, -1)
        if index < 0:
            raise Unmet("a transaction id that was sent", f"{reply.transaction:04X}")
        if not judge.is_exception(reply.pdu, 0x06):
            got = judge.require_registers(reply.pdu, 0x03, 1)
            judge.require_values(
                got, [values[index]], f"transaction {reply.transaction:04X}, value"
            )


def _hundred(talk: Talk) -> Script[None]:
    for index in range(100):
        request = talk.harmless(index)
        talk.require_harmless((yield from talk.ask(request)), request)


def _silent(talk: Talk) -> Script[None]:
    yield Open(0)
    heard = yield Settle(0)
    if heard.raw:
        raise Unmet("nothing before a request", hex_text(heard.raw))
    if heard.is_closed:
        raise Unmet("an open connection", "a closed one")
    yield from talk.probe(0)


def _once(talk: Talk) -> Script[None]:
    request = talk.harmless()
    talk.require_harmless((yield from talk.ask(request)), request)
    heard = yield Settle(0)
    if heard.raw:
        raise Unmet("nothing after the answer", hex_text(heard.raw))


def _garbage(garbage: bytes, talk: Talk) -> Script[None]:
    """Framing may be lost for good; what may not come is an answer to the garbage."""
    request = talk.harmless()
    number = talk.transaction()
    yield Send(0, garbage)
    yield Pause()
    yield Send(0, frame(number, talk.site.unit, request))
    heard = yield Settle(0)
    replies = split_replies(heard.raw).replies
    if heard.raw:
        if len(replies) != 1 or replies[0].transaction != number:
            raise Unmet("an answer to the right frame only, or none", hex_text(heard.raw))
        talk.require_harmless(replies[0].pdu, request)
    yield from talk.require_served(1)


def _cut_off(talk: Talk) -> Script[None]:
    for line in range(4):
        yield Send(line, talk.frame(talk.harmless())[: 3 + 2 * line])
        yield Pause()
        yield Close(line)
    yield from talk.require_served(4)


def _require_half_close(talk: Talk) -> None:
    if not talk.site.can_half_close:
        raise NotApplicable("TLS has no half-closed connection")


def _half_close(talk: Talk) -> Script[None]:
    _require_half_close(talk)
    request = talk.harmless()
    yield Send(0, talk.frame(request))
    yield HalfClose(0)
    (reply,) = yield from talk.hear(1)
    talk.require_harmless(reply.pdu, request)


def _half_close_16(talk: Talk) -> Script[None]:
    _require_half_close(talk)
    requests = _requests(talk, 16)
    yield Send(0, b"".join(_frames(talk, requests)))
    yield HalfClose(0)
    yield from talk.require_all_harmless(requests, may_be_busy=True)


def _half_close_idle(talk: Talk) -> Script[None]:
    _require_half_close(talk)
    yield Open(0)
    yield HalfClose(0)
    heard = yield Hear(0, 1)
    if heard.raw or not heard.is_closed:
        raise Unmet("the connection closed", hex_text(heard.raw) if heard.raw else "an open one")
