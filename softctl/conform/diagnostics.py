"""Functions 07, 08, 11, 12 and 17, which the specification marks "serial line only".

A server on TCP may refuse them with exception 01; one that answers has to do it right.
Sub-functions that restart, silence or clear anything are never sent.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from softctl.conform import judge, pdus
from softctl.conform.cases import MAP, Case, Play
from softctl.conform.steps import Script, Unmet
from softctl.conform.talk import Talk
from softctl.conform.wire import hex_text

GROUP = "diagnostics"
_LENGTH_CLAUSE = f"{MAP}, 7 (exception 03: implied length is incorrect)"
_COUNTERS = {
    0x02: "diagnostic register",
    0x0B: "bus message count",
    0x0C: "bus communication error count",
    0x0D: "bus exception error count",
    0x0E: "server message count",
    0x0F: "server no response count",
    0x10: "server NAK count",
    0x11: "server busy count",
    0x12: "bus character overrun count",
}
_MAX_EVENTS = 64


def cases() -> Iterator[Case]:
    """The cases of all five functions."""
    yield _case("fc07-shape", "One byte of exception status comes", "6.7", 0x07, _status)
    yield _long("fc07", b"\x07\0", 0x07)
    for name, data in (("example", b"\xa5\x37"), ("0000", b"\0\0"), ("ffff", b"\xff\xff")):
        title = f"Sub-function 0000 returns its data, {hex_text(data)}"
        yield _case(f"fc08-echo-{name}", title, "6.8.1", 0x08, partial(_query, data))
    for sub_function, words in _COUNTERS.items():
        title = f"Sub-function {sub_function:04X} returns the {words}"
        play = partial(_counter, sub_function)
        yield _case(f"fc08-sub-{sub_function:04x}", title, "6.8.1", 0x08, play)
        if sub_function != 0x02:
            title = f"Sub-function {sub_function:04X} with data other than 0000 is exception 03"
            play = partial(_counter_data, sub_function)
            yield _case(f"fc08-data-{sub_function:04x}", title, "6.8.1", 0x08, play)
    for sub_function in (0x13, 0x15, 0xFFFF):
        title = f"Reserved sub-function {sub_function:04X} is exception 01"
        play = partial(_reserved, sub_function)
        yield _case(f"fc08-reserved-{sub_function:04x}", title, "6.8, figure 18", 0x08, play)
    yield _case(
        "fc11-shape", "A status word of 0000 or FFFF and a count come", "6.9", 0x0B, _events
    )
    yield _case("fc11-counts", "A successful request raises the count", "6.9", 0x0B, _counts)
    yield _long("fc11", b"\x0b\0", 0x0B)
    yield _case("fc12-shape", "Status, two counts and 0 to 64 events come", "6.10", 0x0C, _log)
    yield _long("fc12", b"\x0c\0", 0x0C)
    yield _case("fc17-shape", "A byte count and as many bytes come", "6.13", 0x11, _identity)
    yield _long("fc17", b"\x11\0", 0x11)


def _case(name: str, title: str, section: str, function: int, play: Play) -> Case:
    return Case(name, GROUP, title, f"{MAP}, {section}", (function,), play)


def _long(prefix: str, pdu: bytes, function: int) -> Case:
    title = "A request one byte too long is exception 03"
    play = partial(_refused, pdu, 0x03)
    return Case(f"{prefix}-long", GROUP, title, _LENGTH_CLAUSE, (function,), play)


def _refused(pdu: bytes, code: int, talk: Talk) -> Script[None]:
    yield from talk.refuse(pdu, code)


def _status(talk: Talk) -> Script[None]:
    judge.require_size((yield from talk.ask(b"\x07")), 0x07, 1)


def _query(data: bytes, talk: Talk) -> Script[None]:
    yield from talk.echo(pdus.diagnostics(0, data))


def _counter(sub_function: int, talk: Talk) -> Script[None]:
    """A server may have some of the sub-functions only; it refuses the others with 01."""
    pdu = yield from talk.ask(pdus.diagnostics(sub_function))
    if judge.is_exception(pdu):
        judge.require_exception(pdu, 0x08, 0x01)
        return
    data = judge.require_size(pdu, 0x08, 4)
    if data[:2] != sub_function.to_bytes(2, "big"):
        raise Unmet(f"sub-function {sub_function:04X} in the reply", judge.describe(pdu))


def _counter_data(sub_function: int, talk: Talk) -> Script[None]:
    pdu = yield from talk.ask(pdus.diagnostics(sub_function, b"\x12\x34"))
    judge.require_exception(pdu, 0x08, 0x01, 0x03)


def _reserved(sub_function: int, talk: Talk) -> Script[None]:
    yield from talk.refuse(pdus.diagnostics(sub_function), 0x01)


def _event_count(talk: Talk) -> Script[int]:
    data = judge.require_size((yield from talk.ask(b"\x0b")), 0x0B, 4)
    if data[:2] not in (b"\0\0", b"\xff\xff"):
        raise Unmet("the status 0000 or FFFF", hex_text(data[:2]))
    return int.from_bytes(data[2:], "big")


def _events(talk: Talk) -> Script[None]:
    yield from _event_count(talk)


def _counts(talk: Talk) -> Script[None]:
    """Others may be talking to the server too, so the count may rise by more than one."""
    before = yield from _event_count(talk)
    request = talk.harmless()
    talk.require_harmless((yield from talk.ask(request)), request)
    after = yield from _event_count(talk)
    if not 1 <= (after - before) & 0xFFFF < 0x8000:
        raise Unmet(f"a count above {before}", str(after))


def _log(talk: Talk) -> Script[None]:
    data = judge.require_counted((yield from talk.ask(b"\x0c")), 0x0C)
    if not 6 <= len(data) <= 6 + _MAX_EVENTS:
        raise Unmet("a byte count of 6 to 70", str(len(data)))
    if data[:2] not in (b"\0\0", b"\xff\xff"):
        raise Unmet("the status 0000 or FFFF", hex_text(data[:2]))


def _identity(talk: Talk) -> Script[None]:
    data = judge.require_counted((yield from talk.ask(b"\x11")), 0x11)
    if not data:
        raise Unmet("a server id and a run indicator", "byte count 0")
