"""Function 23: a write and a read in one request."""

from __future__ import annotations

from collections.abc import Iterator

from softctl.conform import judge, pdus
from softctl.conform.cases import MAP, Case
from softctl.conform.site import ADDRESSES
from softctl.conform.steps import Script
from softctl.conform.talk import Talk
from softctl.values.tables import Table

GROUP = "read-write"
HOLDING = Table.HOLDING_REGISTERS
_CLAUSE = f"{MAP}, 6.17"
_LENGTH_CLAUSE = f"{MAP}, 7 (exception 03: implied length is incorrect)"
_BEFORE = [0x1111, 0x2222, 0x3333]
_NEW = [0xEEEE, 0xDDDD, 0xCCCC]


def cases() -> Iterator[Case]:
    """Every case of function 23."""
    nothing = "is exception 03 and writes nothing"
    rows = (
        ("example", "The printed example's shape: 3 registers written, 6 read", _example),
        ("write-first", "What is written is what the same request reads", _write_first),
        ("overlap", "A read that overlaps the write sees old and new values", _overlap),
        ("read-limit", "125 registers may be read", _read_limit),
        ("write-limit", "121 registers may be written", _write_limit),
        ("read-zero", f"Reading 0 registers {nothing}", _read_zero),
        ("read-limit-over", f"Reading 126 registers {nothing}", _read_over),
        ("write-zero", "Writing 0 registers is exception 03", _write_zero),
        ("write-limit-over", f"Writing 122 registers {nothing}", _write_over),
        ("byte-count-under", f"A byte count one too low {nothing}", _count_under),
        ("byte-count-over", f"A byte count one too high {nothing}", _count_over),
        ("read-hole", "A read where nothing exists is 02, and nothing is written", _read_hole),
        ("read-wrap", "A read past FFFF is 02, and nothing is written", _read_wrap),
        ("write-hole", "A write where nothing exists is exception 02", _write_hole),
        ("zero-in-hole", "Reading 0 where nothing exists is 03: checked first", _zero_in_hole),
        ("data-short", f"Fewer values than the byte count says {nothing}", _data_short),
        ("data-long", f"More values than the byte count says {nothing}", _data_long),
        ("bare", "A function code alone is exception 03", _bare),
    )
    for name, title, play in rows:
        is_length = name in ("data-short", "data-long", "bare")
        clause = _LENGTH_CLAUSE if is_length else _CLAUSE
        yield Case(f"fc23-{name}", GROUP, title, clause, (0x17, 0x10, 0x03), play)


def _prepare(talk: Talk, count: int = 3) -> Script[int]:
    address = talk.writable(HOLDING, count)
    yield from talk.write(HOLDING, address, _BEFORE)
    return address


def _example(talk: Talk) -> Script[None]:
    address = yield from _prepare(talk)
    source = talk.known(HOLDING, 6)
    pdu = yield from talk.ask(pdus.read_write(source, 6, address, _NEW))
    judge.require_registers(pdu, 0x17, 6)
    yield from talk.require_memory(HOLDING, address, _NEW)


def _write_first(talk: Talk) -> Script[None]:
    address = yield from _prepare(talk)
    pdu = yield from talk.ask(pdus.read_write(address, 3, address, _NEW))
    got = judge.require_registers(pdu, 0x17, 3)
    judge.require_values(got, _NEW, "registers read by the same request,")


def _overlap(talk: Talk) -> Script[None]:
    address = yield from _prepare(talk)
    pdu = yield from talk.ask(pdus.read_write(address, 3, address + 1, _NEW[:1]))
    got = judge.require_registers(pdu, 0x17, 3)
    expected = [_BEFORE[0], _NEW[0], _BEFORE[2]]
    judge.require_values(got, expected, "registers read by the same request,")


def _read_limit(talk: Talk) -> Script[None]:
    address = yield from _prepare(talk)
    source = talk.known(HOLDING, 125)
    pdu = yield from talk.ask(pdus.read_write(source, 125, address, _NEW))
    judge.require_registers(pdu, 0x17, 125)


def _write_limit(talk: Talk) -> Script[None]:
    address = talk.writable(HOLDING, 121)
    yield from talk.write(HOLDING, address, [0] * 121)
    values = [0x0203 * index & 0xFFFF for index in range(1, 122)]
    pdu = yield from talk.ask(pdus.read_write(address, 1, address, values))
    judge.require_registers(pdu, 0x17, 1)
    yield from talk.require_memory(HOLDING, address, values)


def _refused(talk: Talk, address: int, pdu: bytes, code: int = 0x03) -> Script[None]:
    yield from talk.refuse(pdu, code)
    yield from talk.require_memory(HOLDING, address, _BEFORE)


def _read_zero(talk: Talk) -> Script[None]:
    address = yield from _prepare(talk)
    yield from _refused(talk, address, pdus.read_write(address, 0, address, _NEW))


def _read_over(talk: Talk) -> Script[None]:
    address = yield from _prepare(talk)
    yield from _refused(talk, address, pdus.read_write(address, 126, address, _NEW))


def _write_zero(talk: Talk) -> Script[None]:
    address = yield from _prepare(talk)
    yield from _refused(talk, address, pdus.read_write(address, 1, address, []))


def _write_over(talk: Talk) -> Script[None]:
    """122 registers do not fit a PDU, so the values are those of 121."""
    address = yield from _prepare(talk, 122)
    values = [0xEEEE] * 121
    pdu = pdus.read_write(address, 1, address, values, quantity=122)
    yield from _refused(talk, address, pdu)


def _count_under(talk: Talk) -> Script[None]:
    address = yield from _prepare(talk)
    yield from _refused(talk, address, pdus.read_write(address, 1, address, _NEW, byte_count=5))


def _count_over(talk: Talk) -> Script[None]:
    address = yield from _prepare(talk)
    yield from _refused(talk, address, pdus.read_write(address, 1, address, _NEW, byte_count=7))


def _read_hole(talk: Talk) -> Script[None]:
    hole = talk.hole(HOLDING)
    address = yield from _prepare(talk)
    yield from _refused(talk, address, pdus.read_write(hole, 1, address, _NEW), 0x02)


def _read_wrap(talk: Talk) -> Script[None]:
    address = yield from _prepare(talk)
    yield from _refused(talk, address, pdus.read_write(ADDRESSES - 1, 2, address, _NEW), 0x02)


def _write_hole(talk: Talk) -> Script[None]:
    hole = talk.write_hole(HOLDING)
    yield from talk.refuse(pdus.read_write(talk.known(HOLDING), 1, hole, [1]), 0x02)


def _zero_in_hole(talk: Talk) -> Script[None]:
    hole = talk.hole(HOLDING)
    address = yield from _prepare(talk)
    yield from _refused(talk, address, pdus.read_write(hole, 0, address, _NEW))


def _data_short(talk: Talk) -> Script[None]:
    address = yield from _prepare(talk)
    data = pdus.pack_registers(_NEW)[:-1]
    pdu = pdus.read_write(address, 1, address, _NEW, byte_count=6, data=data)
    yield from _refused(talk, address, pdu)


def _data_long(talk: Talk) -> Script[None]:
    address = yield from _prepare(talk)
    data = pdus.pack_registers(_NEW) + b"\0"
    pdu = pdus.read_write(address, 1, address, _NEW, byte_count=6, data=data)
    yield from _refused(talk, address, pdu)


def _bare(talk: Talk) -> Script[None]:
    talk.writable(HOLDING)
    yield from talk.refuse(b"\x17", 0x03)
