"""Functions 05, 06 and 22: writes of one value."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from softctl.conform import pdus
from softctl.conform.cases import MAP, Case, Play
from softctl.conform.steps import Script
from softctl.conform.talk import Talk
from softctl.values.tables import Table

GROUP = "write-one"
MASK_GROUP = "mask-write"
_ON, _OFF = 0xFF00, 0x0000
_LENGTH_CLAUSE = f"{MAP}, 7 (exception 03: implied length is incorrect)"
COILS, HOLDING = Table.COILS, Table.HOLDING_REGISTERS


def cases() -> Iterator[Case]:
    """The cases of all three functions."""
    yield from _coil_cases()
    yield from _register_cases()
    yield from _mask_cases()


def _coil_cases() -> Iterator[Case]:
    clause = f"{MAP}, 6.5"
    functions = (0x05, 0x01)
    for name, value, bit in (("on", _ON, 1), ("off", _OFF, 0)):
        title = f"{value:04X} is echoed and reads back as {bit}"
        yield Case(f"fc05-{name}", GROUP, title, clause, functions, partial(_coil, value, bit))
    for value in (0x0001, 0x00FF, 0x0100, 0xFF01, 0xFFFF):
        title = f"Value {value:04X} is exception 03 and changes nothing"
        play = partial(_coil_refused, value)
        yield Case(f"fc05-value-{value:04x}", GROUP, title, clause, functions, play)
    rows: tuple[tuple[str, str, str, Play], ...] = (
        ("neighbours", "The coils on both sides keep their values", clause, _coil_neighbours),
        ("hole", "An address that does not exist is exception 02", clause, _coil_hole),
        ("value-in-hole", "A wrong value is 03 even there: checked first", clause, _coil_bad_hole),
    )
    for name, title, where, script in rows:
        yield Case(f"fc05-{name}", GROUP, title, where, functions, script)
    yield from _length_cases("fc05", GROUP, COILS, functions, partial(pdus.write_coil, value=_ON))


def _register_cases() -> Iterator[Case]:
    clause = f"{MAP}, 6.6"
    functions = (0x06, 0x03)
    values = {
        "example": (0x0003, "The printed example's value, 0003, is echoed and reads back"),
        "0000": (0x0000, "The lowest value is echoed and reads back"),
        "ffff": (0xFFFF, "The highest value is echoed and reads back"),
        "byte-order": (0x0102, "0102 reads back with the high byte first"),
    }
    for name, (value, title) in values.items():
        yield Case(f"fc06-{name}", GROUP, title, clause, functions, partial(_register, value))
    yield Case(
        "fc06-neighbours",
        GROUP,
        "The registers on both sides keep their values",
        clause,
        functions,
        _register_neighbours,
    )
    yield Case(
        "fc06-hole",
        GROUP,
        "An address that does not exist is exception 02",
        clause,
        functions,
        _register_hole,
    )
    yield from _length_cases(
        "fc06", GROUP, HOLDING, functions, partial(pdus.write_register, value=0x5AA5)
    )


def _mask_cases() -> Iterator[Case]:
    clause = f"{MAP}, 6.16"
    functions = (0x16, 0x06, 0x03)
    rows = {
        "example": (0x0012, 0x00F2, 0x0025, "The printed example: 0012 becomes 0017"),
        "keep": (0xA5C3, 0xFFFF, 0xFFFF, "AND FFFF keeps the value, whatever OR is"),
        "set-all": (0x1234, 0x0000, 0xFFFF, "AND 0000, OR FFFF gives FFFF"),
        "clear-all": (0xFFFF, 0x0000, 0x0000, "AND 0000, OR 0000 gives 0000"),
        "set-top": (0x0001, 0x7FFF, 0x8000, "The highest bit is set, the others stay"),
        "or-under-and": (0x0F0F, 0xF0F0, 0xAAAA, "OR counts only where AND is 0: gives 0A0A"),
    }
    for name, (before, and_mask, or_mask, title) in rows.items():
        play = partial(_mask, before, and_mask, or_mask)
        yield Case(f"fc22-{name}", MASK_GROUP, title, clause, functions, play)
    yield Case(
        "fc22-neighbours",
        MASK_GROUP,
        "The registers on both sides keep their values",
        clause,
        functions,
        _mask_neighbours,
    )
    yield Case(
        "fc22-hole",
        MASK_GROUP,
        "An address that does not exist is exception 02",
        clause,
        functions,
        _mask_hole,
    )
    build = partial(pdus.mask_write, and_mask=0x0000, or_mask=0x5AA5)
    yield from _length_cases("fc22", MASK_GROUP, HOLDING, functions, build)


def _length_cases(
    prefix: str, group: str, table: Table, functions: tuple[int, ...], build: partial[bytes]
) -> Iterator[Case]:
    rows = (
        ("short", "A request one byte short is exception 03 and changes nothing", slice(-1), b""),
        ("bare", "A function code alone is exception 03", slice(1), b""),
        (
            "long",
            "A request one byte too long is exception 03 and changes nothing",
            slice(None),
            b"\0",
        ),
    )
    for name, title, kept, extra in rows:
        play = partial(_length, table, build, kept, extra)
        yield Case(f"{prefix}-{name}", group, title, _LENGTH_CLAUSE, functions, play)


def _length(
    table: Table, build: partial[bytes], kept: slice, extra: bytes, talk: Talk
) -> Script[None]:
    address = talk.writable(table)
    before = yield from talk.read(table, address, 1)
    yield from talk.refuse(build(address)[kept] + extra, 0x03)
    yield from talk.require_memory(table, address, before)


def _coil(value: int, bit: int, talk: Talk) -> Script[None]:
    address = talk.writable(COILS)
    yield from talk.echo(pdus.write_coil(address, _OFF if bit else _ON))
    yield from talk.echo(pdus.write_coil(address, value))
    yield from talk.require_memory(COILS, address, [bit])


def _coil_refused(value: int, talk: Talk) -> Script[None]:
    """From both sides, so that neither setting nor clearing goes unseen."""
    address = talk.writable(COILS)
    for before in (0, 1):
        yield from talk.echo(pdus.write_coil(address, _ON if before else _OFF))
        yield from talk.refuse(pdus.write_coil(address, value), 0x03)
        yield from talk.require_memory(COILS, address, [before])


def _coil_neighbours(talk: Talk) -> Script[None]:
    address = talk.writable(COILS, 3)
    for offset, value in enumerate((_ON, _OFF, _ON)):
        yield from talk.echo(pdus.write_coil(address + offset, value))
    yield from talk.require_memory(COILS, address, [1, 0, 1])
    yield from talk.echo(pdus.write_coil(address + 1, _ON))
    yield from talk.echo(pdus.write_coil(address, _OFF))
    yield from talk.echo(pdus.write_coil(address + 2, _OFF))
    yield from talk.require_memory(COILS, address, [0, 1, 0])


def _coil_hole(talk: Talk) -> Script[None]:
    yield from talk.refuse(pdus.write_coil(talk.write_hole(COILS), _ON), 0x02)


def _coil_bad_hole(talk: Talk) -> Script[None]:
    yield from talk.refuse(pdus.write_coil(talk.write_hole(COILS), 0x1234), 0x03)


def _register(value: int, talk: Talk) -> Script[None]:
    address = talk.writable(HOLDING)
    yield from talk.echo(pdus.write_register(address, value ^ 0xFFFF))
    yield from talk.echo(pdus.write_register(address, value))
    yield from talk.require_memory(HOLDING, address, [value])


def _register_neighbours(talk: Talk) -> Script[None]:
    address = talk.writable(HOLDING, 3)
    for offset, value in enumerate((0x1111, 0x2222, 0x3333)):
        yield from talk.echo(pdus.write_register(address + offset, value))
    yield from talk.echo(pdus.write_register(address + 1, 0xEEEE))
    yield from talk.require_memory(HOLDING, address, [0x1111, 0xEEEE, 0x3333])


def _register_hole(talk: Talk) -> Script[None]:
    yield from talk.refuse(pdus.write_register(talk.write_hole(HOLDING), 1), 0x02)


def _mask(before: int, and_mask: int, or_mask: int, talk: Talk) -> Script[None]:
    address = talk.writable(HOLDING)
    yield from talk.echo(pdus.write_register(address, before))
    yield from talk.echo(pdus.mask_write(address, and_mask, or_mask))
    after = before & and_mask | or_mask & ~and_mask & 0xFFFF
    yield from talk.require_memory(HOLDING, address, [after])


def _mask_neighbours(talk: Talk) -> Script[None]:
    address = talk.writable(HOLDING, 3)
    for offset, value in enumerate((0x1111, 0x2222, 0x3333)):
        yield from talk.echo(pdus.write_register(address + offset, value))
    yield from talk.echo(pdus.mask_write(address + 1, 0x0000, 0xFFFF))
    yield from talk.require_memory(HOLDING, address, [0x1111, 0xFFFF, 0x3333])


def _mask_hole(talk: Talk) -> Script[None]:
    pdu = pdus.mask_write(talk.write_hole(HOLDING), 0xFFFF, 0x0000)
    reply = yield from talk.ask(pdu)
    talk.require_refusal(reply, 0x16, 0x02)
