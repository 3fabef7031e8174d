"""The table of function codes (Modbus Application Protocol V1.1b3, section 6).

A function is a row: how its PDU becomes a request, and how a device performs it. Checks
follow the state diagram of each function: function code (01), then quantity, value and
byte count (03), then addresses (02), then execution (04). The general diagram of the
same document (figure 9) has 02 before 03 and so contradicts them; the particular wins.
A PDU whose length disagrees with its function is exception 03, "a fault in the structure
of the remainder of a complex request, such as that the implied length is incorrect"
(section 7).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

from softctl.modbus.access import (
    decode_mask_write,
    decode_read,
    decode_read_write,
    decode_write_coil,
    decode_write_coils,
    decode_write_register,
    decode_write_registers,
    perform_mask_write,
    perform_read_bits,
    perform_read_registers,
    perform_read_write,
    perform_write,
)
from softctl.modbus.codes import ERROR_BIT, ExceptionCode, Refusal
from softctl.modbus.diagnostics import (
    decode_diagnostics,
    decode_plain,
    perform_diagnostics,
    perform_event_counter,
    perform_event_log,
    perform_exception_status,
    perform_server_id,
)
from softctl.modbus.files import (
    decode_fifo,
    decode_file_read,
    decode_file_write,
    perform_fifo,
    perform_file_read,
    perform_file_write,
)
from softctl.modbus.identification import decode_identification, perform_identification
from softctl.modbus.requests import Reject, Request

if TYPE_CHECKING:
    from softctl.modbus.clients import Client
    from softctl.modbus.device import Device


class Function(NamedTuple):
    """One function: `decode` raises Refusal for exception 03, `perform` for 02 and on."""

    name: str
    decode: Callable[[bytes], Request]
    perform: Callable[[Device, Any, Client], bytes]


TABLE_FUNCTIONS: dict[int, Function] = {
    0x01: Function("read coils", decode_read, perform_read_bits),
    0x02: Function("read discrete inputs", decode_read, perform_read_bits),
    0x03: Function("read holding registers", decode_read, perform_read_registers),
    0x04: Function("read input registers", decode_read, perform_read_registers),
    0x05: Function("write single coil", decode_write_coil, perform_write),
    0x06: Function("write single register", decode_write_register, perform_write),
    0x0F: Function("write multiple coils", decode_write_coils, perform_write),
    0x10: Function("write multiple registers", decode_write_registers, perform_write),
    0x16: Function("mask write register", decode_mask_write, perform_mask_write),
    0x17: Function("read and write multiple registers", decode_read_write, perform_read_write),
}
"""The functions of the four tables, which every device has."""

DIAGNOSTIC_FUNCTIONS: dict[int, Function] = {
    0x07: Function("read exception status", decode_plain, perform_exception_status),
    0x08: Function("diagnostics", decode_diagnostics, perform_diagnostics),
    0x0B: Function("get event counter", decode_plain, perform_event_counter),
    0x0C: Function("get event log", decode_plain, perform_event_log),
    0x11: Function("report server id", decode_plain, perform_server_id),
}
"""The functions the specification keeps for serial lines."""

FILE_FUNCTIONS: dict[int, Function] = {
    0x14: Function("read file record", decode_file_read, perform_file_read),
    0x15: Function("write file record", decode_file_write, perform_file_write),
}
FIFO_FUNCTIONS: dict[int, Function] = {
    0x18: Function("read queue", decode_fifo, perform_fifo),
}
IDENTIFICATION_FUNCTIONS: dict[int, Function] = {
    0x2B: Function("read device identification", decode_identification, perform_identification),
}

FUNCTIONS: dict[int, Function] = {
    **TABLE_FUNCTIONS,
    **DIAGNOSTIC_FUNCTIONS,
    **FILE_FUNCTIONS,
    **FIFO_FUNCTIONS,
    **IDENTIFICATION_FUNCTIONS,
}
"""Every function that is implemented, by code; a device has those it was given data for."""

CHANGING_FUNCTIONS = frozenset({0x05, 0x06, 0x08, 0x0F, 0x10, 0x15, 0x16, 0x17})
"""The functions that can change a device; 08 can silence it."""


def decode_request(pdu: bytes, functions: Mapping[int, Function] = FUNCTIONS) -> Request | Reject:
    """Decode a request PDU of at least one byte, or say why it cannot be one."""
    code = pdu[0]
    function = functions.get(code)
    if function is None:
        return Reject(code & ~ERROR_BIT, ExceptionCode.ILLEGAL_FUNCTION)
    try:
        return function.decode(pdu)
    except Refusal as refusal:
        return Reject(code, refusal.code)
