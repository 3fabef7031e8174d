"""Function codes: each known one is answered or refused, every other one is refused."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

from softctl.conform import judge, pdus
from softctl.conform.cases import MAP, Case
from softctl.conform.files import given_file
from softctl.conform.steps import NotSupported, Script, Send, Settle, Unmet
from softctl.conform.talk import Talk
from softctl.conform.wire import split_replies
from softctl.values.tables import Table

GROUP = "functions"

NAMES = {
    0x01: "read coils",
    0x02: "read discrete inputs",
    0x03: "read holding registers",
    0x04: "read input registers",
    0x05: "write single coil",
    0x06: "write single register",
    0x07: "read exception status",
    0x08: "diagnostics",
    0x0B: "get communication event counter",
    0x0C: "get communication event log",
    0x0F: "write multiple coils",
    0x10: "write multiple registers",
    0x11: "report server id",
    0x14: "read file record",
    0x15: "write file record",
    0x16: "mask write register",
    0x17: "read and write multiple registers",
    0x18: "read FIFO queue",
    0x2B: "encapsulated interface transport",
}
"""The public functions with a defined meaning (section 6)."""

RESERVED = (9, 10, 13, 14, 41, 42, 90, 91, 125, 126, 127)
"""Used by older products and not available for public use (annex A)."""

UNASSIGNED = (18, 19, 25, 26, 33, 40, 44, 50, 64, 73, 80, 99, 111, 120)
"""Public codes without a function (section 5.1), some from each gap."""

BEYOND = (0x80, 0x83, 0xFF)
"""Not function codes at all: 128 to 255 mark exception replies (section 4.1)."""


def cases() -> Iterator[Case]:
    """One case for each code."""
    for function, name in NAMES.items():
        yield Case(
            f"function-{function:03d}-answered",
            GROUP,
            f"Function {function} ({name}) is answered, or refused with its own code",
            f"{MAP}, 4.1 and 7",
            (),
            partial(_answered, function),
        )
    yield Case(
        "function-000-refused",
        GROUP,
        "Function 0, which is not valid, is exception 01",
        f"{MAP}, 4.1",
        (),
        partial(_refused, 0),
    )
    for function in UNASSIGNED:
        yield Case(
            f"function-{function:03d}-refused",
            GROUP,
            f"Unassigned function {function} is exception 01",
            f"{MAP}, 5.1 and 7",
            (),
            partial(_refused, function),
        )
    for function in RESERVED:
        yield Case(
            f"function-{function:03d}-refused",
            GROUP,
            f"Reserved function {function} is exception 01",
            f"{MAP}, 5.1 and annex A",
            (),
            partial(_refused, function),
            is_unpredictable=True,
        )
    for function in BEYOND:
        yield Case(
            f"function-{function:03d}-not-answered",
            GROUP,
            f"Code {function} is refused with 01 or ignored, never answered",
            f"{MAP}, 4.1",
            (),
            partial(_beyond, function),
        )


def example(function: int, talk: Talk) -> bytes:
    """A right request for a function; it changes nothing that is not put back or given."""
    return _EXAMPLES[function](talk)


def _read(table: Table, talk: Talk) -> bytes:
    known = talk.site.area(table).known
    return pdus.read(table.read_function, known.first if known else 0, 1)


def _same(table: Table, talk: Talk) -> tuple[int, int]:
    """An address that may be written, and the value it had before the run."""
    address = talk.writable(table)
    return address, talk.site.originals.value(table, address)


def _write_coil(talk: Talk) -> bytes:
    address, value = _same(Table.COILS, talk)
    return pdus.write_coil(address, 0xFF00 if value else 0)


def _write_register(talk: Talk) -> bytes:
    return pdus.write_register(*_same(Table.HOLDING_REGISTERS, talk))


def _write_coils(talk: Talk) -> bytes:
    address, value = _same(Table.COILS, talk)
    return pdus.write_coils(address, [value])


def _write_registers(talk: Talk) -> bytes:
    address, value = _same(Table.HOLDING_REGISTERS, talk)
    return pdus.write_registers(address, [value])


def _mask_write(talk: Talk) -> bytes:
    return pdus.mask_write(talk.writable(Table.HOLDING_REGISTERS), 0xFFFF, 0)


def _read_write(talk: Talk) -> bytes:
    address, value = _same(Table.HOLDING_REGISTERS, talk)
    return pdus.read_write(address, 1, address, [value])


def _write_record(talk: Talk) -> bytes:
    number, records = given_file(talk, 1)
    value = talk.site.originals.files.get(number, {}).get(records.first, 0)
    return pdus.write_record(number, records.first, [value])


def _read_fifo(talk: Talk) -> bytes:
    known = talk.site.area(Table.HOLDING_REGISTERS).known
    return pdus.read_fifo(known.first if known else 0)


def _fixed(pdu: bytes, talk: Talk) -> bytes:
    return pdu


_EXAMPLES: dict[int, Callable[[Talk], bytes]] = {
    **{table.read_function: partial(_read, table) for table in Table},
    0x05: _write_coil,
    0x06: _write_register,
    0x07: partial(_fixed, b"\x07"),
    0x08: partial(_fixed, pdus.diagnostics(0, b"\xa5\x37")),
    0x0B: partial(_fixed, b"\x0b"),
    0x0C: partial(_fixed, b"\x0c"),
    0x0F: _write_coils,
    0x10: _write_registers,
    0x11: partial(_fixed, b"\x11"),
    0x14: partial(_fixed, pdus.read_record(4, 1, 1)),
    0x15: _write_record,
    0x16: _mask_write,
    0x17: _read_write,
    0x18: _read_fifo,
    0x2B: partial(_fixed, pdus.identification(1, 0)),
}


def _answered(function: int, talk: Talk) -> Script[None]:
    pdu = yield from talk.ask(example(function, talk))
    if not pdu or pdu[0] & 0x7F != function or (pdu[0] & 0x80 and len(pdu) != 2):
        raise Unmet(
            f"a reply to function {function:02X}, or {function | 0x80:02X} and a code",
            judge.describe(pdu),
        )
    if judge.is_exception(pdu, 0x01):
        raise NotSupported(f"refused: {judge.describe(pdu)}")


def _refused(function: int, talk: Talk) -> Script[None]:
    """The code alone, so that no server can take the request for an order."""
    yield from talk.refuse(bytes((function,)), 0x01)


def _beyond(function: int, talk: Talk) -> Script[None]:
    yield Send(0, talk.frame(bytes((function, 0, 0, 0, 1))))
    heard = yield Settle(0)
    if not heard.raw:
        yield from talk.require_served(1)
        return
    replies = split_replies(heard.raw).replies
    pdu = replies[0].pdu if replies else heard.raw
    if not judge.is_exception(pdu, 0x01):
        raise Unmet("exception 01 or no answer", judge.describe(pdu))
