"""Functions 01 to 04: what a read must answer, and how a wrong one is refused."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import NamedTuple

from softctl.conform import judge, pdus
from softctl.conform.cases import MAP, Case
from softctl.conform.site import ADDRESSES
from softctl.conform.steps import NotApplicable, Script
from softctl.conform.talk import Talk
from softctl.values.tables import Table

GROUP = "read"
_STABLE_TRIES = 3


class _Read(NamedTuple):
    """One read function: its clause, its limit, and the quantity of its printed example."""

    function: int
    table: Table
    clause: str
    most: int
    example: int


_READS = (
    _Read(0x01, Table.COILS, f"{MAP}, 6.1", 2000, 19),
    _Read(0x02, Table.DISCRETE_INPUTS, f"{MAP}, 6.2", 2000, 22),
    _Read(0x03, Table.HOLDING_REGISTERS, f"{MAP}, 6.3", 125, 3),
    _Read(0x04, Table.INPUT_REGISTERS, f"{MAP}, 6.4", 125, 1),
)

_Play = Callable[[_Read, Talk], Script[None]]


def cases() -> Iterator[Case]:
    """The cases of all four functions."""
    for read in _READS:
        words = read.table.value
        rows: list[tuple[str, str, _Play]] = [
            ("one", "Quantity 1 is answered with one value", _one),
            (
                "example",
                f"The printed example's quantity, {read.example}, gives its shape",
                _example,
            ),
            ("last", "The last existing address can be read alone", _last),
            ("slices", "The same values come in one piece and in slices", _slices),
            ("limit", f"Quantity {read.most} is legal: values, or 02 where they end", _limit),
            ("limit-over", f"Quantity {read.most + 1} is exception 03", _limit_over),
            ("quantity-zero", "Quantity 0 is exception 03", _quantity_zero),
            ("quantity-ffff", "Quantity FFFF is exception 03", _quantity_ffff),
            ("hole", "An address that does not exist is exception 02", _hole),
            ("past-end", "A range that begins inside and ends outside is exception 02", _past_end),
            ("wrap", "Address FFFF with quantity 2 is exception 02, not address 0", _wrap),
            ("zero-in-hole", "Quantity 0 where nothing exists is 03: checked first", _zero_in_hole),
            ("over-in-hole", "Too many where nothing exists is 03: checked first", _over_in_hole),
            ("short", "A request one byte short is exception 03", _short),
            ("bare", "A function code alone is exception 03", _bare),
            ("long", "A request one byte too long is exception 03", _long),
        ]
        if read.table.is_bits:
            rows.append(("padding", "Bits after the last one asked for are zero", _padding))
        for name, title, play in rows:
            yield Case(
                f"fc{read.function:02d}-{name}",
                GROUP,
                f"{title} ({words})",
                _clause(read, name),
                (read.function,),
                partial(play, read),
            )


def _clause(read: _Read, name: str) -> str:
    if name in ("short", "bare", "long"):
        return f"{MAP}, 7 (exception 03: implied length is incorrect)"
    if name in ("hole", "past-end", "wrap"):
        return f"{read.clause}; 7 (exception 02, the example of 100 registers)"
    return f"{read.clause}, figure" if name.endswith("-in-hole") else read.clause


def _require(read: _Read, pdu: bytes, count: int) -> list[int]:
    if read.table.is_bits:
        return judge.require_bits(pdu, read.function, count)
    return judge.require_registers(pdu, read.function, count)


def _ask(read: _Read, talk: Talk, address: int, count: int) -> Script[list[int]]:
    pdu = yield from talk.ask(pdus.read(read.function, address, count))
    return _require(read, pdu, count)


def _one(read: _Read, talk: Talk) -> Script[None]:
    address = talk.known(read.table)
    yield from _ask(read, talk, address, 1)


def _example(read: _Read, talk: Talk) -> Script[None]:
    address = talk.known(read.table, read.example)
    yield from _ask(read, talk, address, read.example)


def _last(read: _Read, talk: Talk) -> Script[None]:
    edge = talk.edge(read.table)
    yield from _ask(read, talk, edge.end - 1, 1)


def _slices(read: _Read, talk: Talk) -> Script[None]:
    """Values may change while they are read, so the whole is read before and after.

    They have to differ from each other, or a slice from the wrong place would look right.
    """
    address = talk.known(read.table, 5)
    known, writable = talk.site.area(read.table).known, talk.site.area(read.table).writable
    if writable is not None and writable.count >= 5:
        address, known = writable.first, writable
        numbers = range(min(writable.count, 40))
        pattern = [index * index % 3 % 2 if read.table.is_bits else index + 1 for index in numbers]
        yield from talk.write(read.table, address, pattern)
    count = min(known.count if known else 5, 40)
    for _ in range(_STABLE_TRIES):
        before = yield from _ask(read, talk, address, count)
        sliced = yield from _ask(read, talk, address, 3)
        sliced += yield from _ask(read, talk, address + 3, count - 4)
        sliced += yield from _ask(read, talk, address + count - 1, 1)
        after = yield from _ask(read, talk, address, count)
        if len(set(before)) == 1:
            raise NotApplicable(f"all {read.table.value} have the same value")
        if before == after:
            judge.require_values(sliced, before, f"{read.table.value} from {address} in slices,")
            return
    raise NotApplicable(f"the {read.table.value} change while they are read")


def _padding(read: _Read, talk: Talk) -> Script[None]:
    """Only where the bit after the last one asked for is 1 could a server get it wrong."""
    address = talk.known(read.table, 2)
    known = talk.site.area(read.table).known
    writable = talk.site.area(read.table).writable
    if writable is not None and writable.count >= 2:
        address, known = writable.first, writable
        yield from talk.write(read.table, address, [1] * min(writable.count, 24))
    values = yield from talk.read(read.table, address, min(known.count if known else 2, 2000))
    found = [index for index, value in enumerate(values) if value and index % 8]
    if not found:
        raise NotApplicable(f"no bit of the {read.table.value} is 1 where padding could show it")
    for index in found[:3]:
        pdu = yield from talk.ask(pdus.read(read.function, address, index))
        judge.require_bits(pdu, read.function, index)
        judge.require_padding(pdu, index)


def _limit(read: _Read, talk: Talk) -> Script[None]:
    known = talk.site.area(read.table).known
    address = known.first if known else 0
    pdu = yield from talk.ask(pdus.read(read.function, address, read.most))
    if known is not None and known.count >= read.most:
        _require(read, pdu, read.most)
    else:
        talk.require_refusal(pdu, read.function, 0x02)


def _refused(read: _Read, talk: Talk, quantity: int, code: int) -> Script[None]:
    known = talk.site.area(read.table).known
    address = known.first if known else 0
    yield from talk.refuse(pdus.read(read.function, address, quantity), code)


def _limit_over(read: _Read, talk: Talk) -> Script[None]:
    yield from _refused(read, talk, read.most + 1, 0x03)


def _quantity_zero(read: _Read, talk: Talk) -> Script[None]:
    yield from _refused(read, talk, 0, 0x03)


def _quantity_ffff(read: _Read, talk: Talk) -> Script[None]:
    yield from _refused(read, talk, 0xFFFF, 0x03)


def _hole(read: _Read, talk: Talk) -> Script[None]:
    yield from talk.refuse(pdus.read(read.function, talk.hole(read.table), 1), 0x02)


def _past_end(read: _Read, talk: Talk) -> Script[None]:
    edge = talk.edge(read.table)
    count = min(4, edge.count)
    yield from _ask(read, talk, edge.end - count, count)
    yield from talk.refuse(pdus.read(read.function, edge.end - count, count + 1), 0x02)


def _wrap(read: _Read, talk: Talk) -> Script[None]:
    pdu = yield from talk.ask(pdus.read(read.function, ADDRESSES - 1, 2))
    talk.require_refusal(pdu, read.function, 0x02)


def _zero_in_hole(read: _Read, talk: Talk) -> Script[None]:
    yield from talk.refuse(pdus.read(read.function, talk.hole(read.table), 0), 0x03)


def _over_in_hole(read: _Read, talk: Talk) -> Script[None]:
    address = talk.hole(read.table)
    yield from talk.refuse(pdus.read(read.function, address, read.most + 1), 0x03)


def _whole(read: _Read, talk: Talk) -> bytes:
    known = talk.site.area(read.table).known
    return pdus.read(read.function, known.first if known else 0, 1)


def _short(read: _Read, talk: Talk) -> Script[None]:
    yield from talk.refuse(_whole(read, talk)[:-1], 0x03)


def _bare(read: _Read, talk: Talk) -> Script[None]:
    yield from talk.refuse(_whole(read, talk)[:1], 0x03)


def _long(read: _Read, talk: Talk) -> Script[None]:
    yield from talk.refuse(_whole(read, talk) + b"\0", 0x03)
