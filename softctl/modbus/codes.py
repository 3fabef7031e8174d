"""Exception codes and limits (Modbus Application Protocol V1.1b3, sections 4.1, 6 and 7)."""

from __future__ import annotations

from enum import IntEnum

MAX_PDU_BYTES = 253
MAX_READ_BITS = 2000
MAX_READ_REGISTERS = 125
MAX_WRITE_BITS = 1968
MAX_WRITE_REGISTERS = 123
MAX_READ_WRITE_REGISTERS = 121
"""The most registers function 23 writes; it reads up to MAX_READ_REGISTERS."""

ERROR_BIT = 0x80


class ExceptionCode(IntEnum):
    """Why a server does not do what it was asked (section 7)."""

    ILLEGAL_FUNCTION = 0x01
    ILLEGAL_DATA_ADDRESS = 0x02
    ILLEGAL_DATA_VALUE = 0x03
    SERVER_DEVICE_FAILURE = 0x04
    ACKNOWLEDGE = 0x05
    SERVER_DEVICE_BUSY = 0x06
    MEMORY_PARITY_ERROR = 0x08
    GATEWAY_PATH_UNAVAILABLE = 0x0A
    GATEWAY_TARGET_FAILED_TO_RESPOND = 0x0B


class Refusal(Exception):  # noqa: N818 - a reply, not an error of ours
    """A request is answered with an exception code.

    Raised by decoders, by functions and by an owner's hooks; `Device` turns it into
    the exception reply, so it never reaches a shell.
    """

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"exception {code:02X}")


def encode_exception(function: int, code: int) -> bytes:
    """The exception reply PDU: the function with its top bit set, then the code."""
    return bytes((function | ERROR_BIT, code))
