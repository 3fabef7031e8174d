"""What was written is what is read, by whichever function, and never half of it."""

from __future__ import annotations

from collections.abc import Iterator

from softctl.conform import judge, pdus
from softctl.conform.cases import MAP, PRACTICE, Case, Play
from softctl.conform.steps import Close, Script, Send, Unmet
from softctl.conform.talk import Talk
from softctl.values.tables import Table

GROUP = "memory"
COILS, HOLDING = Table.COILS, Table.HOLDING_REGISTERS
_MODEL = f"{MAP}, 4.2 and 4.3 (data encoding and data model)"
_ATOMIC = f"{PRACTICE}: a request is done whole or not at all"
_ROUNDS = 40
_READERS = 3


def cases() -> Iterator[Case]:
    """Every case about memory; all of them write."""
    bits: tuple[int, ...] = (0x0F, 0x05, 0x01)
    words: tuple[int, ...] = (0x10, 0x06, 0x03)
    rows: tuple[tuple[str, str, str, tuple[int, ...], Play], ...] = (
        ("bit-order", "Coils written together are found one by one", _MODEL, bits, _bit_order),
        (
            "word-order",
            "Registers written together are found one by one",
            _MODEL,
            words,
            _word_order,
        ),
        ("walking-bit", "Each of 16 bits can be set alone", _MODEL, words, _walking),
        ("coils-agree", "Functions 05 and 15 write the same coils", _MODEL, bits, _coils_agree),
        ("registers-agree", "Functions 06 and 16 write the same registers", _MODEL, words, _agree),
        (
            "last-register",
            "The last register that may be written can be written",
            _MODEL,
            words,
            _last,
        ),
        ("last-coil", "The last coil that may be written can be written", _MODEL, bits, _last_coil),
        ("two-clients", "What one client wrote another one reads", _MODEL, words, _two_clients),
        (
            "reconnect",
            "What was written is there for the next connection",
            _MODEL,
            words,
            _reconnect,
        ),
        (
            "coils-two-clients",
            "A coil that one client set another one reads",
            _MODEL,
            bits,
            _two_coils,
        ),
    )
    for name, title, clause, functions, play in rows:
        yield Case(f"memory-{name}", GROUP, title, clause, functions, play)
    atomic: tuple[tuple[str, str, tuple[int, ...], Play], ...] = (
        (
            "registers",
            "Registers read while they are written are all old or all new",
            words,
            _registers,
        ),
        ("coils", "Coils read while they are written are all old or all new", bits, _coils),
        (
            "read-write",
            "Function 23 reads back its own write among other writers",
            (0x17, 0x10),
            _own,
        ),
        (
            "mask",
            "Two clients that set different bits by function 22 lose none",
            (0x16, 0x06),
            _mask,
        ),
    )
    for name, title, functions, play in atomic:
        yield Case(f"memory-whole-{name}", GROUP, title, _ATOMIC, functions, play)


def _bit_order(talk: Talk) -> Script[None]:
    values = [1, 0, 0, 1, 1, 1, 0, 1, 0, 1]
    address = talk.writable(COILS, len(values))
    yield from talk.write(COILS, address, [1 - bit for bit in values])
    yield from talk.write(COILS, address, values)
    for offset, value in enumerate(values):
        yield from talk.require_memory(COILS, address + offset, [value])


def _word_order(talk: Talk) -> Script[None]:
    values = [0x0102, 0x0304, 0x0506, 0x0708]
    address = talk.writable(HOLDING, len(values))
    yield from talk.write(HOLDING, address, [0] * len(values))
    yield from talk.write(HOLDING, address, values)
    for offset, value in enumerate(values):
        yield from talk.require_memory(HOLDING, address + offset, [value])


def _walking(talk: Talk) -> Script[None]:
    address = talk.writable(HOLDING)
    for bit in range(16):
        yield from talk.echo(pdus.write_register(address, 1 << bit))
        yield from talk.require_memory(HOLDING, address, [1 << bit])


def _coils_agree(talk: Talk) -> Script[None]:
    address = talk.writable(COILS, 4)
    yield from talk.write(COILS, address, [0, 0, 0, 0])
    yield from talk.echo(pdus.write_coil(address + 2, 0xFF00))
    yield from talk.require_memory(COILS, address, [0, 0, 1, 0])
    yield from talk.write(COILS, address, [1, 1, 0, 1])
    yield from talk.require_memory(COILS, address + 2, [0])


def _agree(talk: Talk) -> Script[None]:
    address = talk.writable(HOLDING, 4)
    yield from talk.write(HOLDING, address, [0x1111] * 4)
    yield from talk.echo(pdus.write_register(address + 2, 0xABCD))
    yield from talk.require_memory(HOLDING, address, [0x1111, 0x1111, 0xABCD, 0x1111])
    yield from talk.write(HOLDING, address, [0x2222] * 4)
    yield from talk.require_memory(HOLDING, address + 2, [0x2222])


def _end(talk: Talk, table: Table) -> int:
    talk.writable(table)
    span = talk.site.area(table).writable
    assert span is not None, "writable() has just raised unless there is one"
    return span.end - 1


def _last(talk: Talk) -> Script[None]:
    address = _end(talk, HOLDING)
    for value in (0x5AA5, 0xA55A):
        yield from talk.echo(pdus.write_register(address, value))
        yield from talk.require_memory(HOLDING, address, [value])


def _last_coil(talk: Talk) -> Script[None]:
    address = _end(talk, COILS)
    for value in (1, 0):
        yield from talk.echo(pdus.write_coil(address, 0xFF00 * value))
        yield from talk.require_memory(COILS, address, [value])


def _two_clients(talk: Talk) -> Script[None]:
    address = talk.writable(HOLDING)
    for value in (0x1234, 0xEDCB):
        yield from talk.echo(pdus.write_register(address, value), line=0)
        got = yield from talk.read(HOLDING, address, 1, line=1)
        judge.require_values(got, [value], "what the other client reads, register")


def _two_coils(talk: Talk) -> Script[None]:
    address = talk.writable(COILS)
    for value in (1, 0):
        yield from talk.echo(pdus.write_coil(address, 0xFF00 * value), line=0)
        got = yield from talk.read(COILS, address, 1, line=1)
        judge.require_values(got, [value], "what the other client reads, coil")


def _reconnect(talk: Talk) -> Script[None]:
    address = talk.writable(HOLDING)
    for line, value in enumerate((0x4321, 0xBCDE)):
        yield from talk.echo(pdus.write_register(address, value), line=2 * line)
        yield Close(2 * line)
        got = yield from talk.read(HOLDING, address, 1, line=2 * line + 1)
        judge.require_values(got, [value], "what the next connection reads, register")
        yield Close(2 * line + 1)


def _span(talk: Talk, table: Table, most: int) -> tuple[int, int]:
    """As many addresses as may be written, up to `most`; more show a torn value sooner."""
    address = talk.writable(table, 2)
    span = talk.site.area(table).writable
    return address, min(span.count if span else 2, most)


def _never_torn(talk: Talk, table: Table, most: int, patterns: tuple[int, int]) -> Script[None]:
    """One client writes two patterns in turn; the others read, all without waiting."""
    address, count = _span(talk, table, most)
    build = pdus.write_coils if table.is_bits else pdus.write_registers
    yield from talk.write(table, address, [patterns[0]] * count)
    read = pdus.read(table.read_function, address, count)
    for turn in range(_ROUNDS):
        write = build(address, [patterns[turn % 2]] * count)
        yield Send(0, talk.frame(write))
        for line in range(1, 1 + _READERS):
            yield Send(line, talk.frame(read))
        for line in range(1, 1 + _READERS):
            (reply,) = yield from talk.hear(1, line)
            require = judge.require_bits if table.is_bits else judge.require_registers
            got = require(reply.pdu, table.read_function, count)
            if len(set(got)) != 1:
                mixed = " and ".join(f"{value:04X}" for value in sorted(set(got)))
                raise Unmet(f"{count} {table.value} of one write", f"{mixed} in one reply")
        (reply,) = yield from talk.hear(1)
        judge.require_echo(reply.pdu, write[:5])


def _registers(talk: Talk) -> Script[None]:
    yield from _never_torn(talk, HOLDING, 100, (0x0F0F, 0xF0F0))


def _coils(talk: Talk) -> Script[None]:
    yield from _never_torn(talk, COILS, 400, (0, 1))


def _own(talk: Talk) -> Script[None]:
    """Each client writes its own value everywhere and has to find it in the same reply."""
    address, count = _span(talk, HOLDING, 60)
    for _ in range(_ROUNDS // 2):
        values = [0x1100 * (line + 1) for line in range(_READERS)]
        for line, value in enumerate(values):
            pdu = pdus.read_write(address, count, address, [value] * count)
            yield Send(line, talk.frame(pdu))
        for line, value in enumerate(values):
            (reply,) = yield from talk.hear(1, line)
            got = judge.require_registers(reply.pdu, 0x17, count)
            judge.require_values(got, [value] * count, f"connection {line}, register")


def _mask(talk: Talk) -> Script[None]:
    address = talk.writable(HOLDING)
    for _ in range(4):
        yield from talk.echo(pdus.write_register(address, 0))
        for bit in range(16):
            mask = 0xFFFF ^ 1 << bit
            yield Send(bit % 2, talk.frame(pdus.mask_write(address, mask, 1 << bit)))
            if bit % 2:
                yield from talk.hear(1, 0)
                yield from talk.hear(1, 1)
        yield from talk.require_memory(HOLDING, address, [0xFFFF])
