"""The MBAP header: what is echoed, what is counted, what is discarded."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from softctl.conform import judge, pdus
from softctl.conform.cases import MTG, Case, Play
from softctl.conform.steps import Close, Hear, Script, Send, Settle, Unmet
from softctl.conform.talk import Talk
from softctl.conform.wire import HEADER_BYTES, Reply, frame, hex_text, split_replies
from softctl.values.tables import Table

GROUP = "header"
_CLAUSE = f"{MTG}, 3.1.3"
_DIRECT = f"{MTG}, 4.4.2 (unit id of a directly addressed device)"
_WRONG = f"{MTG}, 3.1.3 and 4.4.2 (a frame with a wrong header is discarded)"
_REFUSED = b"\x40"
"""An unassigned function, whose answer is an exception everywhere."""


def cases() -> Iterator[Case]:
    """Every case about the header."""
    for transaction in (0x0000, 0x0001, 0x00FF, 0x8000, 0xFFFF):
        title = f"Transaction id {transaction:04X} is echoed"
        play = partial(_transaction, transaction)
        yield _case(f"header-transaction-{transaction:04x}", title, _CLAUSE, play)
    rows = (
        ("transaction-same-twice", "The same transaction id may be used again", _same_twice),
        ("transaction-exception", "An exception reply echoes the transaction id", _exception_id),
        ("unit-echo", "The unit id is echoed", _unit_echo),
        ("unit-echo-exception", "An exception reply echoes the unit id", _unit_echo_exception),
        ("protocol-reply", "The reply's protocol id is 0", _protocol_reply),
        ("protocol-reply-exception", "An exception's protocol id is 0", _protocol_exception),
        ("length-reply", "The reply's length counts unit id and PDU", _length_reply),
        ("length-reply-exception", "An exception's length is 3", _length_exception),
        ("length-reply-bits", "The length of a reply with bits counts its bytes", _length_bits),
    )
    for name, title, script in rows:
        yield _case(f"header-{name}", title, _CLAUSE, script)
    for unit in (0x00, 0xFF):
        title = f"Unit id {unit:02X} is answered with the same unit id, or not at all"
        yield _case(f"header-unit-{unit:02x}", title, _DIRECT, partial(_unit, unit))
    title = "Another unit id is answered with the same unit id, or not at all"
    yield _case("header-unit-other", title, _DIRECT, _unit_other)
    for protocol in (0x0001, 0x0100, 0xFFFF):
        title = f"A frame with protocol id {protocol:04X} is discarded, the next one answered"
        play = partial(_protocol, protocol)
        yield _case(f"header-protocol-{protocol:04x}", title, _WRONG, play)
    title = "A write with another protocol id is discarded and changes nothing"
    yield Case("header-protocol-write", GROUP, title, _WRONG, (0x06, 0x03), _protocol_write)
    lengths = {
        "0": (0, "Length 0"),
        "1": (1, "Length 1, no function code,"),
        "255": (255, "Length 255, a PDU of 254 bytes,"),
        "260": (260, "Length 260"),
        "ffff": (0xFFFF, "Length FFFF"),
    }
    for name, (length, words) in lengths.items():
        title = f"{words} gets no answer, and a new connection is served"
        yield _case(f"header-length-{name}", title, _WRONG, partial(_length, length))


def _case(name: str, title: str, clause: str, play: Play) -> Case:
    return Case(name, GROUP, title, clause, (), play)


def _require_field(name: str, got: int, expected: int, digits: int) -> None:
    if got != expected:
        raise Unmet(f"{name} {expected:0{digits}X} in the reply", f"{got:0{digits}X}")


def _reply_to(talk: Talk, transaction: int, pdu: bytes) -> Script[Reply]:
    return (yield from talk.ask_frame(frame(transaction, talk.site.unit, pdu)))


def _transaction(transaction: int, talk: Talk) -> Script[None]:
    reply = yield from _reply_to(talk, transaction, talk.harmless())
    _require_field("transaction id", reply.transaction, transaction, 4)


def _same_twice(talk: Talk) -> Script[None]:
    for index in (0, 1):
        request = talk.harmless(index)
        reply = yield from _reply_to(talk, 0x1234, request)
        _require_field("transaction id", reply.transaction, 0x1234, 4)
        talk.require_harmless(reply.pdu, request)


def _exception_id(talk: Talk) -> Script[None]:
    reply = yield from _reply_to(talk, 0xBEEF, _REFUSED)
    _require_field("transaction id", reply.transaction, 0xBEEF, 4)


def _unit_echo(talk: Talk) -> Script[None]:
    reply = yield from _reply_to(talk, 0x0102, talk.harmless())
    _require_field("unit id", reply.unit, talk.site.unit, 2)


def _unit_echo_exception(talk: Talk) -> Script[None]:
    reply = yield from _reply_to(talk, 0x0102, _REFUSED)
    _require_field("unit id", reply.unit, talk.site.unit, 2)


def _protocol_reply(talk: Talk) -> Script[None]:
    reply = yield from _reply_to(talk, 0x0102, talk.harmless())
    _require_field("protocol id", reply.protocol, 0, 4)


def _protocol_exception(talk: Talk) -> Script[None]:
    reply = yield from _reply_to(talk, 0x0102, _REFUSED)
    _require_field("protocol id", reply.protocol, 0, 4)


def _require_whole(talk: Talk, pdu: bytes, size: int) -> Script[None]:
    """The size of the reply is known, so its length field is judged without trusting it."""
    yield Send(0, talk.frame(pdu))
    heard = yield Hear(0, 1)
    more = yield Settle(0)
    raw = heard.raw + more.raw
    if len(raw) != HEADER_BYTES + size:
        raise Unmet(f"{HEADER_BYTES + size} bytes in all", hex_text(raw))
    _require_field("length", int.from_bytes(raw[4:6], "big"), 1 + size, 4)


def _length_reply(talk: Talk) -> Script[None]:
    for table in (Table.HOLDING_REGISTERS, Table.INPUT_REGISTERS):
        known = talk.site.area(table).known
        if known is not None:
            count = min(known.count, 10)
            pdu = pdus.read(table.read_function, known.first, count)
            yield from _require_whole(talk, pdu, 2 + 2 * count)
            return
    talk.known(Table.HOLDING_REGISTERS)


def _length_bits(talk: Talk) -> Script[None]:
    for table in (Table.COILS, Table.DISCRETE_INPUTS):
        known = talk.site.area(table).known
        if known is not None:
            count = min(known.count, 12)
            pdu = pdus.read(table.read_function, known.first, count)
            yield from _require_whole(talk, pdu, 2 + (count + 7) // 8)
            return
    talk.known(Table.COILS)


def _length_exception(talk: Talk) -> Script[None]:
    yield from _require_whole(talk, _REFUSED, 2)


def _unit(unit: int, talk: Talk) -> Script[None]:
    """A device may take it as its own, as any other device's, or as nobody's."""
    yield Send(0, frame(0x0203, unit, talk.harmless()))
    heard = yield Settle(0)
    if not heard.raw:
        return
    replies = split_replies(heard.raw).replies
    if not replies:
        raise Unmet("a whole frame or nothing", hex_text(heard.raw))
    _require_field("unit id", replies[0].unit, unit, 2)
    _require_field("transaction id", replies[0].transaction, 0x0203, 4)
    if not judge.is_exception(replies[0].pdu):
        talk.require_harmless(replies[0].pdu, talk.harmless())


def _unit_other(talk: Talk) -> Script[None]:
    yield from _unit((talk.site.unit + 100) % 248 or 1, talk)


def _protocol(protocol: int, talk: Talk) -> Script[None]:
    """What comes first has to be the answer to the second frame."""
    foreign = frame(0x0AAA, talk.site.unit, talk.harmless(1), protocol=protocol)
    request = talk.harmless()
    yield Send(0, foreign)
    yield Send(0, frame(0x0BBB, talk.site.unit, request))
    (reply,) = yield from talk.hear(1)
    _require_field("transaction id", reply.transaction, 0x0BBB, 4)
    talk.require_harmless(reply.pdu, request)


def _protocol_write(talk: Talk) -> Script[None]:
    address = talk.writable(Table.HOLDING_REGISTERS)
    yield from talk.echo(pdus.write_register(address, 0x1111))
    pdu = pdus.write_register(address, 0xEEEE)
    yield Send(0, frame(0x0AAA, talk.site.unit, pdu, protocol=1))
    yield from talk.require_ignored(0)
    yield Close(0)
    value = yield from talk.read(Table.HOLDING_REGISTERS, address, 1, line=1)
    judge.require_values(value, [0x1111], f"holding registers from {address}:")


def _length(length: int, talk: Talk) -> Script[None]:
    """A PDU as long as the length says, up to 260, so that a careless server answers."""
    pdu = talk.harmless()
    if length in (255, 260):
        pdu = pdu.ljust(length - 1, b"\0")
    yield Send(0, frame(0x0CCC, talk.site.unit, pdu, length=length))
    yield from talk.require_ignored(0)
    yield Close(0)
    yield Send(1, talk.frame(talk.harmless()))
    heard = yield Hear(1, 1)
    if not heard.replies:
        raise Unmet("a new connection to be served", "no answer on it")
