"""Functions 20, 21 and 24: file records and queues of registers.

Modbus Application Protocol V1.1b3, sections 6.14, 6.15 and 6.18. For function 21 the
state diagram gives a data length of 07..F5 and the table 09..FB; 09 is the least that
holds a record, so the table is followed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from struct import Struct
from typing import TYPE_CHECKING

from softctl.modbus.codes import ExceptionCode, Refusal
from softctl.modbus.requests import FifoRequest, FileReadRequest, FileSpan, FileWriteRequest

if TYPE_CHECKING:
    from softctl.modbus.clients import Client
    from softctl.modbus.device import Device

REFERENCE_TYPE = 6
MAX_RECORD = 0x270F
MAX_FIFO = 31
MAX_READ_BYTES = 0xF5

_SUB_REQUEST = Struct(">BHHH")
_FIFO_REQUEST = Struct(">BH")
_FIFO_REPLY = Struct(">BHH")


def decode_file_read(pdu: bytes) -> FileReadRequest:
    """Function 20: one or more sub-requests of 7 bytes, and a reply that fits."""
    _require_length(pdu, 0x07, 0xF5)
    if (len(pdu) - 2) % _SUB_REQUEST.size:
        raise Refusal(ExceptionCode.ILLEGAL_DATA_VALUE)
    spans = tuple(FileSpan(*_checked_head(head)) for head in _SUB_REQUEST.iter_unpack(pdu[2:]))
    if sum(2 + 2 * span.quantity for span in spans) > MAX_READ_BYTES:
        raise Refusal(ExceptionCode.ILLEGAL_DATA_VALUE)
    return FileReadRequest(pdu[0], spans)


def decode_file_write(pdu: bytes) -> FileWriteRequest:
    """Function 21: one or more sub-requests of 7 bytes, each followed by its records."""
    _require_length(pdu, 0x09, 0xFB)
    return FileWriteRequest(pdu[0], tuple(_write_spans(pdu)), pdu)


def _write_spans(pdu: bytes) -> Iterator[FileSpan]:
    start = 2
    while start < len(pdu):
        if len(pdu) - start < _SUB_REQUEST.size:
            raise Refusal(ExceptionCode.ILLEGAL_DATA_VALUE)
        file, record, quantity = _checked_head(_SUB_REQUEST.unpack_from(pdu, start))
        start += _SUB_REQUEST.size
        data = pdu[start : start + 2 * quantity]
        if not quantity or len(data) != 2 * quantity:
            raise Refusal(ExceptionCode.ILLEGAL_DATA_VALUE)
        yield FileSpan(file, record, quantity, data)
        start += len(data)


def _require_length(pdu: bytes, low: int, high: int) -> None:
    if len(pdu) < 2 or not low <= pdu[1] <= high or pdu[1] != len(pdu) - 2:
        raise Refusal(ExceptionCode.ILLEGAL_DATA_VALUE)


def _checked_head(head: tuple[int, int, int, int]) -> tuple[int, int, int]:
    """The diagrams test the reference type together with file and record: exception 02.

    Record lengths make the implied length, so they were checked before; a decoder meets
    the reference type only here, hence it refuses with the code of the later check.
    """
    reference, file, record, quantity = head
    if reference != REFERENCE_TYPE:
        raise Refusal(ExceptionCode.ILLEGAL_DATA_ADDRESS)
    return file, record, quantity


def perform_file_read(device: Device, request: FileReadRequest, client: Client) -> bytes:
    """Function 20: for each sub-request its length, the reference type and the records."""
    _require_records(device, request.spans)
    parts = [
        bytes((1 + 2 * quantity, REFERENCE_TYPE))
        + device.files[file][2 * record : 2 * (record + quantity)]
        for file, record, quantity, _ in request.spans
    ]
    body = b"".join(parts)
    return bytes((request.function, len(body))) + body


def perform_file_write(device: Device, request: FileWriteRequest, client: Client) -> bytes:
    """Function 21: all ranges are checked before the first record is written."""
    _require_records(device, request.spans)
    for file, record, quantity, data in request.spans:
        device.files[file][2 * record : 2 * (record + quantity)] = data
    return request.reply


def _require_records(device: Device, spans: Iterable[FileSpan]) -> None:
    for file, record, quantity, _ in spans:
        records = len(device.files.get(file, b"")) // 2
        if record > MAX_RECORD or not quantity or record + quantity > records:
            raise Refusal(ExceptionCode.ILLEGAL_DATA_ADDRESS)


def decode_fifo(pdu: bytes) -> FifoRequest:
    """Function 24: the address of the queue's counter."""
    if len(pdu) != _FIFO_REQUEST.size:
        raise Refusal(ExceptionCode.ILLEGAL_DATA_VALUE)
    return FifoRequest(*_FIFO_REQUEST.unpack(pdu))


def perform_fifo(device: Device, request: FifoRequest, client: Client) -> bytes:
    """Function 24: address first (02), then a count over 31 (03); reading keeps the queue."""
    values = device.fifos.get(request.address)
    if values is None:
        raise Refusal(ExceptionCode.ILLEGAL_DATA_ADDRESS)
    if len(values) > MAX_FIFO:
        raise Refusal(ExceptionCode.ILLEGAL_DATA_VALUE)
    data = b"".join(value.to_bytes(2, "big") for value in values)
    return _FIFO_REPLY.pack(request.function, 2 + len(data), len(values)) + data
