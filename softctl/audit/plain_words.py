"""A frame taken apart: each field with its bytes and what they mean, with the points' tags.

Names of functions and exceptions are those of the Modbus Application Protocol V1.1b3,
sections 6 and 7; the header is that of the Messaging on TCP/IP guide V1.0b, section 3.1.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from softctl.audit.uses import Map
from softctl.machine import Point
from softctl.machine.read_values import show_value
from softctl.modbus.bits import unpack_bits
from softctl.modbus.codes import ERROR_BIT, ExceptionCode
from softctl.modbus.frames import HEADER_BYTES
from softctl.modbus.functions import FUNCTIONS, decode_request
from softctl.modbus.requests import (
    MaskWriteRequest,
    ReadRequest,
    ReadWriteRequest,
    Reject,
    Request,
    WriteRequest,
)
from softctl.values.registers import decode
from softctl.values.tables import Table

MOST_POINTS = 12
"""Points that one frame names; a read of everything has hundreds."""

_OWN_WORDS = {
    ExceptionCode.ILLEGAL_FUNCTION: "the server does not know this function, or not for you",
    ExceptionCode.ILLEGAL_DATA_ADDRESS: "there is nothing at one of these addresses",
    ExceptionCode.ILLEGAL_DATA_VALUE: "the request itself is not well formed",
    ExceptionCode.SERVER_DEVICE_FAILURE: "the value is outside its range, or it could not be done",
    ExceptionCode.ACKNOWLEDGE: "it is being worked on and takes long",
    ExceptionCode.SERVER_DEVICE_BUSY: "the server is busy: ask again later",
    ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND: "nobody has this unit id",
}


@dataclass(frozen=True, slots=True)
class Field:
    """Some bytes of a frame: what they are called, in hex, and in words."""

    name: str
    hex: str
    words: str


@dataclass(frozen=True, slots=True)
class Frame:
    """A whole frame: one line about it, and its fields in their order."""

    text: str
    fields: tuple[Field, ...]


def request_in_words(frame: bytes, map_: Map) -> Frame:
    """What a client asks."""
    if len(frame) <= HEADER_BYTES:
        return Frame("no whole frame", tuple(_header(frame)))
    pdu = frame[HEADER_BYTES:]
    request = decode_request(pdu)
    fields = [*_header(frame), _function(pdu), *_asked(pdu, request, map_)]
    return Frame(_request_text(pdu, request, map_), tuple(fields))


def reply_in_words(frame: bytes, asked: bytes, map_: Map) -> Frame:
    """What a server answers to the request frame `asked`."""
    if len(frame) <= HEADER_BYTES + 1:
        return Frame("no whole frame", tuple(_header(frame)))
    pdu = frame[HEADER_BYTES:]
    head = [*_header(frame), _function(pdu)]
    if pdu[0] & ERROR_BIT:
        words = exception_words(pdu[1])
        return Frame(words, (*head, Field("exception", _hex(pdu[1:2]), words), *_rest(pdu[2:])))
    request = decode_request(asked[HEADER_BYTES:]) if len(asked) > HEADER_BYTES else None
    if isinstance(request, ReadRequest | ReadWriteRequest):
        return _read_reply(pdu, request, map_, head)
    return Frame("done", (*head, *_rest(pdu[1:], "echo", "what was asked, as a confirmation")))


def exception_words(code: int) -> str:
    """An exception code by its name, with what it mostly means."""
    try:
        known = ExceptionCode(code)
    except ValueError:
        return f"exception {code:02X}, which the specification does not know"
    name = known.name.replace("_", " ").lower()
    own = _OWN_WORDS.get(known)
    return f"exception {code:02X}, {name}" + (f": {own}" if own else "")


# The parts of a frame


def _header(frame: bytes) -> Iterator[Field]:
    spans = (("transaction", 0, 2), ("protocol", 2, 4), ("length", 4, 6), ("unit", 6, 7))
    for name, start, end in spans:
        part = frame[start:end]
        if part:
            number = int.from_bytes(part, "big")
            yield Field(name, _hex(part), _header_words(name, number, len(frame)))


def _header_words(name: str, number: int, size: int) -> str:
    if name == "protocol":
        return "0, Modbus" if number == 0 else f"{number}, not Modbus"
    if name == "length":
        found = size - 6
        is_right = number == found
        return f"{number} bytes follow" if is_right else f"{number} said, {found} follow"
    return str(number)


def _function(pdu: bytes) -> Field:
    code = pdu[0] & ~ERROR_BIT
    known = FUNCTIONS.get(code)
    words = known.name if known else "a function that is not in the specification"
    refused = " (refused)" if pdu[0] & ERROR_BIT else ""
    return Field("function", _hex(pdu[:1]), f"{code:02d}, {words}{refused}")


def _asked(pdu: bytes, request: Request | Reject, map_: Map) -> Iterator[Field]:
    match request:
        case ReadRequest(_, table, address, quantity):
            yield _address("address", pdu[1:3], table, address, quantity, map_)
            yield Field("count", _hex(pdu[3:5]), _count(table, quantity))
        case WriteRequest(_, table, address, quantity, data, _):
            yield _address("address", pdu[1:3], table, address, quantity, map_)
            yield from _written(pdu[3:], table, address, data, map_)
        case MaskWriteRequest(_, address, and_mask, or_mask, _):
            words = Table.HOLDING_REGISTERS
            yield _address("address", pdu[1:3], words, address, 1, map_)
            yield Field("keep mask", _hex(pdu[3:5]), f"{and_mask:016b}: bits that stay")
            yield Field("set mask", _hex(pdu[5:7]), f"{or_mask:016b}: what the others become")
        case ReadWriteRequest(_, address, quantity, write_address, data):
            words = Table.HOLDING_REGISTERS
            yield _address("read address", pdu[1:3], words, address, quantity, map_)
            yield Field("read count", _hex(pdu[3:5]), _count(words, quantity))
            yield _address("write address", pdu[5:7], words, write_address, len(data) // 2, map_)
            yield from _written(pdu[7:], words, write_address, data, map_)
        case Reject(_, exception):
            yield from _rest(pdu[1:], "data", f"cannot be one: {exception_words(exception)}")
        case _:
            yield from _rest(pdu[1:])


def _written(rest: bytes, table: Table, address: int, data: bytes, map_: Map) -> Iterator[Field]:
    values = _values(table, address, data, map_) or _plain(table, data)
    yield Field("data", _hex(rest), values)


def _read_reply(
    pdu: bytes, request: ReadRequest | ReadWriteRequest, map_: Map, head: list[Field]
) -> Frame:
    table = request.table if isinstance(request, ReadRequest) else Table.HOLDING_REGISTERS
    data = pdu[2:]
    whole = (request.quantity + 7) // 8 if table.is_bits else 2 * request.quantity
    said = Field("bytes", _hex(pdu[1:2]), f"{pdu[1]} bytes of data")
    if len(data) != whole or pdu[1] != whole:
        words = f"expected {whole} bytes for {_count(table, request.quantity)}, got {len(data)}"
        return Frame(words, (*head, said, *_rest(data, "data", words)))
    bank = unpack_bits(data, request.quantity) if table.is_bits else data
    values = _values(table, request.address, bank, map_) or _plain(table, bank)
    return Frame(values, (*head, said, Field("data", _hex(data), values)))


def _request_text(pdu: bytes, request: Request | Reject, map_: Map) -> str:
    known = FUNCTIONS.get(pdu[0])
    name = known.name if known else f"function {pdu[0]:02d}"
    match request:
        case ReadRequest(_, table, address, quantity):
            return f"{name}: {_points(table, address, quantity, map_)}"
        case WriteRequest(_, table, address, quantity, data, _):
            return f"{name}: {_values(table, address, data, map_) or _plain(table, data)}"
        case ReadWriteRequest(_, address, quantity, write_address, data):
            words = Table.HOLDING_REGISTERS
            written = _values(words, write_address, data, map_) or _plain(words, data)
            return f"{name}: write {written}, read {_points(words, address, quantity, map_)}"
        case MaskWriteRequest(_, address, _, _, _):
            return f"{name}: {_points(Table.HOLDING_REGISTERS, address, 1, map_)}"
        case Reject(_, exception):
            return f"{name}, not well formed: {exception_words(exception)}"
    return name


# Addresses and values


def _address(name: str, raw: bytes, table: Table, address: int, count: int, map_: Map) -> Field:
    number = table.number(address)
    return Field(
        name, _hex(raw), f"{address}, number {number}: {_points(table, address, count, map_)}"
    )


def _points(table: Table, address: int, count: int, map_: Map) -> str:
    names = [point.name for point in map_.touched((table, address, count))]
    if not names:
        return f"no point, {_count(table, count)} from {address} on"
    more = f" and {len(names) - MOST_POINTS} more" if len(names) > MOST_POINTS else ""
    return ", ".join(names[:MOST_POINTS]) + more


def _values(table: Table, address: int, data: bytes, map_: Map) -> str:
    """The points that data in the bank's form holds whole, with their values."""
    count = len(data) if table.is_bits else len(data) // 2
    shown = []
    points = map_.touched((table, address, count))
    for point in points[:MOST_POINTS]:
        place = map_.place(point)
        first = place.address - address
        if first < 0 or place.end > address + count:
            shown.append(f"{point.name} in part")
            continue
        width = 1 if table.is_bits else 2
        raw = data[width * first : width * (first + place.count)]
        if table.is_bits or place.bit is not None:
            is_set = raw[0] if table.is_bits else int.from_bytes(raw, "big") >> (place.bit or 0) & 1
            shown.append(f"{point.name} = {'1' if is_set else '0'}")
            continue
        shown.append(f"{point.name} = {_number(raw, map_, point)}")
    more = f" and {len(points) - MOST_POINTS} more" if len(points) > MOST_POINTS else ""
    return ", ".join(shown) + more


def _number(raw: bytes, map_: Map, point: Point) -> str:
    type_ = map_.type(point)
    try:
        value = decode(raw, type_, map_.order(point))
    except ValueError as error:
        return f"none ({error})"
    is_count = type_.name != point.type.name
    return f"{show_value(value, type_)} {'counts' if is_count else point.unit}".rstrip()


def _plain(table: Table, data: bytes) -> str:
    if table.is_bits:
        return " ".join(str(bit) for bit in data)
    return " ".join(str(int.from_bytes(data[i : i + 2], "big")) for i in range(0, len(data), 2))


def _count(table: Table, count: int) -> str:
    unit = "bit" if table.is_bits else "register"
    return f"{count} {unit}" if count == 1 else f"{count} {unit}s"


def _rest(raw: bytes, name: str = "data", words: str = "") -> Iterator[Field]:
    if raw:
        yield Field(name, _hex(raw), words or f"{len(raw)} bytes")


def _hex(raw: bytes) -> str:
    return raw.hex(" ")
