"""Functions 15 and 16: writes of several values at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import NamedTuple

from softctl.conform import pdus
from softctl.conform.cases import MAP, Case
from softctl.conform.steps import Script
from softctl.conform.talk import Talk
from softctl.values.tables import Table

GROUP = "write-many"
_LENGTH_CLAUSE = f"{MAP}, 7 (exception 03: implied length is incorrect)"


class _Write(NamedTuple):
    """One of the two functions; `most_data` is the most bytes of values that fit a PDU."""

    function: int
    table: Table
    clause: str
    build: Callable[..., bytes]
    most: int
    most_data: int
    example: tuple[int, ...]


_COILS = _Write(
    0x0F, Table.COILS, f"{MAP}, 6.11", pdus.write_coils, 1968, 247, (1, 0, 1, 1, 0, 0, 1, 1, 1, 0)
)
_REGISTERS = _Write(
    0x10,
    Table.HOLDING_REGISTERS,
    f"{MAP}, 6.12",
    pdus.write_registers,
    123,
    246,
    (0x000A, 0x0102),
)

_Play = Callable[[_Write, Talk], Script[None]]


def cases() -> Iterator[Case]:
    """The cases of both functions."""
    for write in (_COILS, _REGISTERS):
        for name, title, play in _rows(write):
            is_length = name in ("data-short", "data-long", "bare", "head-only")
            yield Case(
                f"fc{write.function:02d}-{name}",
                GROUP,
                title,
                _LENGTH_CLAUSE if is_length else write.clause,
                (write.function, write.table.read_function),
                partial(play, write),
            )


def _rows(write: _Write) -> Iterator[tuple[str, str, _Play]]:
    words = write.table.value
    unchanged = "is exception 03 and changes nothing"
    yield "example", "The printed example's values are written and read back", _example
    yield "one", f"One of the {words} can be written alone", _one
    yield "neighbours", f"The {words} on both sides keep their values", _neighbours
    yield "limit", f"Quantity {write.most} is legal", _limit
    yield "limit-over", f"Quantity {write.most + 1} {unchanged}", _limit_over
    yield "quantity-zero", f"Quantity 0 {unchanged}", _quantity_zero
    yield "quantity-ffff", f"Quantity FFFF {unchanged}", _quantity_ffff
    yield "byte-count-under", f"A byte count one too low {unchanged}", _count_under
    yield "byte-count-over", f"A byte count one too high {unchanged}", _count_over
    yield "byte-count-zero", f"Byte count 0 {unchanged}", _count_zero
    yield "data-short", f"Fewer values than the byte count says {unchanged}", _data_short
    yield "data-long", f"More values than the byte count says {unchanged}", _data_long
    yield "head-only", f"No values after the byte count {unchanged}", _head_only
    yield "bare", "A function code alone is exception 03", _bare
    yield "hole", "An address that does not exist is exception 02", _hole
    yield "zero-in-hole", "Quantity 0 where nothing exists is 03: checked first", _zero_in_hole
    yield "past-end", "A range that ends outside is 02, and nothing of it is written", _past_end
    if write.table.is_bits:
        yield "padding", "Ones that pad the last byte write nothing", _padding


def _patterns(write: _Write, count: int) -> tuple[list[int], list[int]]:
    """Two sets of values that differ everywhere."""
    if write.table.is_bits:
        first = [(index // 2 + index // 7) % 2 for index in range(count)]
        return first, [1 - bit for bit in first]
    first = [(0x0101 * index + 0x1234) & 0xFFFF for index in range(count)]
    return first, [value ^ 0xFFFF for value in first]


def _store(write: _Write, talk: Talk, address: int, values: list[int]) -> Script[None]:
    pdu = write.build(address, values)
    yield from talk.echo(pdu, pdu[:5])
    yield from talk.require_memory(write.table, address, values)


def _store_both(write: _Write, talk: Talk, address: int, values: list[int]) -> Script[None]:
    """First the opposite, so that what is read back cannot have been there before."""
    mask = 1 if write.table.is_bits else 0xFFFF
    yield from _store(write, talk, address, [value ^ mask for value in values])
    yield from _store(write, talk, address, values)


def _example(write: _Write, talk: Talk) -> Script[None]:
    address = talk.writable(write.table, len(write.example))
    yield from _store_both(write, talk, address, list(write.example))


def _one(write: _Write, talk: Talk) -> Script[None]:
    address = talk.writable(write.table)
    yield from _store_both(write, talk, address, [1])


def _limit(write: _Write, talk: Talk) -> Script[None]:
    address = talk.writable(write.table, write.most)
    yield from _store_both(write, talk, address, _patterns(write, write.most)[0])


def _neighbours(write: _Write, talk: Talk) -> Script[None]:
    """Both ways, so that a neighbour is seen whether it is set or cleared."""
    address = talk.writable(write.table, 5)
    pattern, inverse = _patterns(write, 5)
    for before, new in ((pattern, inverse), (inverse, pattern)):
        yield from _store(write, talk, address, before)
        yield from _store(write, talk, address + 1, new[1:4])
        yield from talk.require_memory(write.table, address, [before[0], *new[1:4], before[4]])


def _refused(
    write: _Write, talk: Talk, address: int, count: int, pdu: bytes, code: int = 0x03
) -> Script[None]:
    """`count` values from `address` are the ones that a careless server would change."""
    before, _ = _patterns(write, count)
    yield from talk.write(write.table, address, before)
    yield from talk.refuse(pdu, code)
    yield from talk.require_memory(write.table, address, before)


def _limit_over(write: _Write, talk: Talk) -> Script[None]:
    """As many values as a PDU can hold: of registers, one less than the quantity says."""
    count = min(write.most + 1, 8 * write.most_data if write.table.is_bits else write.most)
    address = talk.writable(write.table, write.most + 1)
    _, values = _patterns(write, count)
    data = pdus.pack_bits(values) if write.table.is_bits else pdus.pack_registers(values)
    pdu = write.build(address, (), quantity=write.most + 1, data=data[: write.most_data])
    yield from _refused(write, talk, address, write.most + 1, pdu)


def _three(write: _Write, talk: Talk, **fields: int | bytes) -> Script[None]:
    """A request to write three values, with some field of it wrong.

    A careless server would change as many as its bytes hold, up to a byte too many.
    """
    spare = 16 if write.table.is_bits else 4
    address = talk.writable(write.table, spare)
    _, values = _patterns(write, 3)
    yield from _refused(write, talk, address, spare, write.build(address, values, **fields))


def _quantity_zero(write: _Write, talk: Talk) -> Script[None]:
    yield from _three(write, talk, quantity=0, byte_count=0, data=b"")


def _quantity_ffff(write: _Write, talk: Talk) -> Script[None]:
    yield from _three(write, talk, quantity=0xFFFF)


def _right_count(write: _Write) -> int:
    return 1 if write.table.is_bits else 6


def _count_under(write: _Write, talk: Talk) -> Script[None]:
    """Of coils the request is for nine, so that one byte too few is not none at all."""
    if write.table.is_bits:
        address = talk.writable(write.table, 9)
        pdu = write.build(address, _patterns(write, 9)[1], byte_count=1)
        yield from _refused(write, talk, address, 9, pdu)
    else:
        yield from _three(write, talk, byte_count=5)


def _count_over(write: _Write, talk: Talk) -> Script[None]:
    yield from _three(write, talk, byte_count=_right_count(write) + 1)


def _count_zero(write: _Write, talk: Talk) -> Script[None]:
    yield from _three(write, talk, byte_count=0)


def _data_short(write: _Write, talk: Talk) -> Script[None]:
    if write.table.is_bits:
        address = talk.writable(write.table, 9)
        values = _patterns(write, 9)[1]
        pdu = write.build(address, values, byte_count=2, data=pdus.pack_bits(values)[:1])
        yield from _refused(write, talk, address, 9, pdu)
    else:
        values = _patterns(write, 3)[1]
        yield from _three(write, talk, byte_count=6, data=pdus.pack_registers(values)[:5])


def _data_long(write: _Write, talk: Talk) -> Script[None]:
    values = _patterns(write, 3)[1]
    data = pdus.pack_bits(values) if write.table.is_bits else pdus.pack_registers(values)
    yield from _three(write, talk, byte_count=len(data), data=data + b"\0")


def _head_only(write: _Write, talk: Talk) -> Script[None]:
    yield from _three(write, talk, byte_count=_right_count(write), data=b"")


def _bare(write: _Write, talk: Talk) -> Script[None]:
    talk.writable(write.table)
    yield from talk.refuse(bytes((write.function,)), 0x03)


def _hole(write: _Write, talk: Talk) -> Script[None]:
    yield from talk.refuse(write.build(talk.write_hole(write.table), [1]), 0x02)


def _zero_in_hole(write: _Write, talk: Talk) -> Script[None]:
    pdu = write.build(talk.write_hole(write.table), [])
    yield from talk.refuse(pdu, 0x03)


def _past_end(write: _Write, talk: Talk) -> Script[None]:
    count = 2
    address = talk.write_edge(write.table, count)
    _, values = _patterns(write, count + 1)
    pdu = write.build(address, values)
    yield from _refused(write, talk, address, count, pdu, 0x02)


def _padding(write: _Write, talk: Talk) -> Script[None]:
    address = talk.writable(write.table, 8)
    yield from _store(write, talk, address, [0] * 8)
    pdu = write.build(address, (), quantity=3, data=b"\xff")
    yield from talk.echo(pdu, pdu[:5])
    yield from talk.require_memory(write.table, address, [1, 1, 1, 0, 0, 0, 0, 0])
