"""Functions 20, 21 and 24: file records and the FIFO queue."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from softctl.conform import judge, pdus
from softctl.conform.cases import MAP, Case, Play
from softctl.conform.site import Range
from softctl.conform.steps import NotApplicable, Script, Unmet
from softctl.conform.talk import Talk
from softctl.values.tables import Table

GROUP = "files"
_LENGTH_CLAUSE = f"{MAP}, 7 (exception 03: implied length is incorrect)"
_MAX_FIFO = 31
_NEW = [0x06AF, 0x04BE, 0x100D]
WRITTEN_RECORDS = len(_NEW)
"""No case writes more than the first so many records of a range."""


def cases() -> Iterator[Case]:
    """The cases of all three functions."""
    read = (
        ("read", "A record comes with its length and type, or exception 02", _read),
        ("two-groups", "Two groups are answered in one reply, or exception 02", _read_two),
        ("reference-type", "A reference type other than 6 is exception 02", _read_type),
        ("record-range", "Record 2710 (10000) is exception 02", _read_record_range),
    )
    for name, title, play in read:
        yield _case(f"fc20-{name}", title, "6.14", (0x14,), play)
    for name, size in (("under", 0x06), ("over", 0xF6)):
        title = f"Byte count {size:02X} is exception 03"
        play = partial(_read_byte_count, size)
        yield _case(f"fc20-byte-count-{name}", title, "6.14, figure", (0x14,), play)
    yield _length("fc20-bare", b"\x14", 0x14, "A function code alone is exception 03")
    write = (
        ("write", "Records are written, echoed and read back", _write),
        ("reference-type", "Reference type 5 is exception 02 and changes nothing", _write_type),
        ("byte-count", "A byte count that disagrees is 03 and changes nothing", _write_count),
        (
            "record-length",
            "A record length that disagrees is refused, nothing changes",
            _write_size,
        ),
    )
    for name, title, play in write:
        yield _case(f"fc21-{name}", title, "6.15", (0x15, 0x14), play)
    queue = (
        ("read", "A queue of 0 to 31 registers comes with both its counts, or 02 or 03", _queue),
        ("keeps", "Reading does not clear the queue", _queue_twice),
        ("hole", "A pointer address that does not exist is exception 02", _queue_hole),
    )
    for name, title, play in queue:
        yield _case(f"fc24-{name}", title, "6.18", (0x18,), play)
    yield _length("fc24-short", b"\x18\0", 0x18, "A request one byte short is exception 03")
    yield _length("fc24-long", b"\x18\0\0\0", 0x18, "A request one byte too long is exception 03")


def _case(name: str, title: str, section: str, functions: tuple[int, ...], play: Play) -> Case:
    return Case(name, GROUP, title, f"{MAP}, {section}", functions, play)


def _length(name: str, pdu: bytes, function: int, title: str) -> Case:
    return Case(name, GROUP, title, _LENGTH_CLAUSE, (function,), partial(_refused, pdu))


def _refused(pdu: bytes, talk: Talk) -> Script[None]:
    yield from talk.refuse(pdu, 0x03)


def given_file(talk: Talk, count: int) -> tuple[int, Range]:
    """A file and its records that may be written, or `NotApplicable`."""
    for number, records in talk.site.files.items():
        if records.count >= count:
            return number, records
    raise NotApplicable("writes file records: needs --write-range 'file N:FIRST-LAST'")


def _groups(pdu: bytes) -> list[bytes]:
    """The data of each group of a reply to function 20."""
    data = judge.require_counted(pdu, 0x14)
    groups = []
    while data:
        size = data[0]
        if size < 1 or size > len(data) - 1 or size % 2 == 0 or data[1] != 6:
            raise Unmet("groups of a length, reference type 06 and registers", judge.describe(pdu))
        groups.append(data[2 : 1 + size])
        data = data[1 + size :]
    return groups


def _require_groups(pdu: bytes, sizes: list[int]) -> None:
    """Groups of so many registers, or exception 02: the server need not have that file."""
    if judge.is_exception(pdu):
        judge.require_exception(pdu, 0x14, 0x02)
    elif [len(group) // 2 for group in _groups(pdu)] != sizes:
        raise Unmet(f"groups of {sizes} registers", judge.describe(pdu))


def _read(talk: Talk) -> Script[None]:
    file, record = next(((n, r.first) for n, r in talk.site.files.items()), (4, 1))
    _require_groups((yield from talk.ask(pdus.read_record(file, record, 1))), [1])


def _read_two(talk: Talk) -> Script[None]:
    """The printed example: two registers of file 4, two of file 3."""
    pdu = pdus.read_record(4, 1, 2, byte_count=14) + pdus.read_record(3, 9, 2)[2:]
    _require_groups((yield from talk.ask(pdu)), [2, 2])


def _read_type(talk: Talk) -> Script[None]:
    yield from talk.refuse(pdus.read_record(4, 1, 1, reference=5), 0x02)


def _read_record_range(talk: Talk) -> Script[None]:
    yield from talk.refuse(pdus.read_record(4, 10_000, 1), 0x02)


def _read_byte_count(size: int, talk: Talk) -> Script[None]:
    group = pdus.read_record(4, 1, 1)[2:]
    data = (group * 36)[:size]
    yield from talk.refuse(bytes((0x14, size)) + data, 0x03)


def _record(talk: Talk, count: int) -> Script[list[int]]:
    file, records = given_file(talk, count)
    pdu = yield from talk.ask(pdus.read_record(file, records.first, count))
    (group,) = _groups(pdu)
    return [int.from_bytes(group[i : i + 2], "big") for i in range(0, 2 * count, 2)]


def _write(talk: Talk) -> Script[None]:
    file, records = given_file(talk, 3)
    for values in ([value ^ 0xFFFF for value in _NEW], _NEW):
        yield from talk.echo(pdus.write_record(file, records.first, values))
        judge.require_values((yield from _record(talk, 3)), values, "records read back,")


def _unchanged(talk: Talk, pdu: bytes, *codes: int) -> Script[None]:
    before = yield from _record(talk, 3)
    yield from talk.refuse(pdu, *codes)
    judge.require_values((yield from _record(talk, 3)), before, "records read back,")


def _write_type(talk: Talk) -> Script[None]:
    file, records = given_file(talk, 3)
    pdu = pdus.write_record(file, records.first, _NEW, reference=5)
    yield from _unchanged(talk, pdu, 0x02)


def _write_count(talk: Talk) -> Script[None]:
    file, records = given_file(talk, 3)
    pdu = pdus.write_record(file, records.first, _NEW, byte_count=12)
    yield from _unchanged(talk, pdu, 0x03)


def _write_size(talk: Talk) -> Script[None]:
    """The figure says 02 for starting address and length, section 7 says 03 for lengths."""
    file, records = given_file(talk, 3)
    pdu = pdus.write_record(file, records.first, _NEW, length=2)
    yield from _unchanged(talk, pdu, 0x02, 0x03)


def _read_queue(talk: Talk) -> Script[bytes]:
    """Any register may be the queue's pointer; one that is none is 02, a long queue 03."""
    address = talk.known(Table.HOLDING_REGISTERS)
    pdu = yield from talk.ask(pdus.read_fifo(address))
    if judge.is_exception(pdu):
        talk.require_refusal(pdu, 0x18, 0x02, 0x03)
        return pdu
    size, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
    if pdu[0] != 0x18 or len(pdu) != 3 + size or size != 2 + 2 * count or count > _MAX_FIFO:
        raise Unmet("byte count 2 + 2n, count n up to 31 and n registers", judge.describe(pdu))
    return pdu


def _queue(talk: Talk) -> Script[None]:
    yield from _read_queue(talk)


def _queue_twice(talk: Talk) -> Script[None]:
    """A queue may grow between the reads; it may not become shorter."""
    first = yield from _read_queue(talk)
    if judge.is_exception(first):
        raise NotApplicable("the first holding register that exists points at no queue of 0 to 31")
    second = yield from _read_queue(talk)
    if len(second) < len(first):
        raise Unmet(f"at least {len(first) - 5} bytes of registers", judge.describe(second))


def _queue_hole(talk: Talk) -> Script[None]:
    yield from talk.refuse(pdus.read_fifo(talk.hole(Table.HOLDING_REGISTERS)), 0x02)
