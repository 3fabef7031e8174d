"""What differs between a recorded reply and the one that came."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from softctl.modbus.codes import ERROR_BIT, ExceptionCode
from softctl.modbus.frames import HEADER_BYTES
from softctl.modbus.functions import FUNCTIONS, decode_request
from softctl.modbus.requests import ReadRequest, ReadWriteRequest
from softctl.recording.session import Exchange
from softctl.values.tables import Table

_VALUES_TOLD = 4


@dataclass(frozen=True, slots=True)
class Difference:
    """One reply that is not as it was; `exchange` is None for one that nobody asked for."""

    at_ns: int
    client: int
    exchange: Exchange | None
    reply: bytes | None
    what: str


def compare(exchange: Exchange, reply: bytes | None, *, shape: bool = False) -> str:
    """What differs, empty for nothing.

    With `shape`, values may differ: header, function, exception and length have to be the
    same. What is different is told from the outside in: reply, header, function, values.
    """
    recorded = exchange.reply
    if recorded is None or reply is None:
        return _one_missing(recorded, reply)
    if reply[:2] != exchange.request[:2]:
        return f"transaction id {reply[:2].hex()} instead of {exchange.request[:2].hex()}"
    if reply[2:4] != recorded[2:4]:
        return f"protocol id {reply[2:4].hex()} instead of {recorded[2:4].hex()}"
    if reply[6] != recorded[6]:
        return f"unit {reply[6]} instead of {recorded[6]}"
    was, came = recorded[HEADER_BYTES:], reply[HEADER_BYTES:]
    if was[0] != came[0] or (was[0] & ERROR_BIT and was != came):
        return f"{_told(came)} instead of {_told(was)}"
    if len(was) != len(came):
        return f"{len(came)} bytes instead of {len(was)} behind the header"
    if shape or was == came:
        return ""
    return _values(exchange, was, came)


def describe_request(frame: bytes) -> str:
    """What a request frame asks, in words."""
    head = f"transaction {int.from_bytes(frame[:2], 'big')}, unit {frame[6]}, "
    pdu = frame[HEADER_BYTES:]
    if pdu[0] not in FUNCTIONS:
        return f"{head}function {pdu[0]:02d}"
    request = decode_request(pdu)
    text = f"{head}{FUNCTIONS[pdu[0]].name} ({pdu[0]:02d})"
    address = getattr(request, "address", None)
    if address is None:
        return text
    quantity = getattr(request, "quantity", 1)
    return f"{text}, {quantity} from address {address}"


def describe_reply(frame: bytes | None) -> str:
    """What a reply frame says, in words."""
    if frame is None:
        return "no reply"
    head = f"transaction {int.from_bytes(frame[:2], 'big')}, unit {frame[6]}, "
    return head + _told(frame[HEADER_BYTES:])


def _told(pdu: bytes) -> str:
    """A reply PDU in short."""
    code = pdu[0] & ~ERROR_BIT
    if pdu[0] & ERROR_BIT:
        exception = pdu[1] if len(pdu) > 1 else 0
        known = exception in set(ExceptionCode)
        name = ExceptionCode(exception).name.lower().replace("_", " ") if known else "unknown"
        return f"exception {exception:02X} ({name}) to function {code:02d}"
    if code in (0x01, 0x02, 0x03, 0x04, 0x17):
        return f"{pdu[1] if len(pdu) > 1 else 0} bytes of values to function {code:02d}"
    return f"an answer to function {code:02d}"


def _one_missing(recorded: bytes | None, reply: bytes | None) -> str:
    if recorded is None and reply is None:
        return ""
    if reply is None:
        return "no reply"
    return "a reply, where there was none"


def _values(exchange: Exchange, was: bytes, came: bytes) -> str:
    """The first values that differ, with their addresses where the request tells them."""
    request = decode_request(exchange.request[HEADER_BYTES:])
    if isinstance(request, ReadRequest):
        table, first, quantity = request.table, request.address, request.quantity
    elif isinstance(request, ReadWriteRequest):
        table, first, quantity = Table.HOLDING_REGISTERS, request.address, request.quantity
    else:
        place = next(i for i, pair in enumerate(zip(was, came, strict=True)) if len(set(pair)) > 1)
        return f"byte {place} behind the header {came[place]:02X} instead of {was[place]:02X}"
    pairs = list(zip(_split(table, was), _split(table, came), strict=True))[:quantity]
    told = [
        f"{table.value} {first + at}: {new} instead of {old}"
        for at, (old, new) in enumerate(pairs)
        if old != new
    ]
    if not told:
        return "byte count or spare bits differ"
    rest = len(told) - _VALUES_TOLD
    return ", ".join(told[:_VALUES_TOLD]) + (f" and {rest} more" if rest > 0 else "")


def _split(table: Table, pdu: bytes) -> Iterator[int]:
    """The bits or registers behind function and byte count."""
    data = pdu[2:]
    if table.is_bits:
        for byte in data:
            yield from (byte >> bit & 1 for bit in range(8))
    else:
        for at in range(0, len(data), 2):
            yield int.from_bytes(data[at : at + 2], "big")
