"""Decoded requests: what a client asks, checked for form, not yet for address.

Data is in the bank's form: one byte per bit, two big-endian bytes per register.
"""

from __future__ import annotations

from typing import NamedTuple

from softctl.values.tables import Table


class ReadRequest(NamedTuple):
    """Functions 01 to 04."""

    function: int
    table: Table
    address: int
    quantity: int


class WriteRequest(NamedTuple):
    """Functions 05, 06, 15 and 16; `reply` is the PDU that confirms it."""

    function: int
    table: Table
    address: int
    quantity: int
    data: bytes
    reply: bytes


class MaskWriteRequest(NamedTuple):
    """Function 22; `reply` is the PDU that confirms it."""

    function: int
    address: int
    and_mask: int
    or_mask: int
    reply: bytes


class ReadWriteRequest(NamedTuple):
    """Function 23: the write happens first."""

    function: int
    address: int
    quantity: int
    write_address: int
    data: bytes


class DiagnosticRequest(NamedTuple):
    """Functions 07, 08, 11, 12 and 17; `sub` and `data` are used by 08 alone."""

    function: int
    sub: int = 0
    data: bytes = b""


class FileSpan(NamedTuple):
    """Some records of one file; `data` holds two bytes a record when they are written."""

    file: int
    record: int
    quantity: int
    data: bytes = b""


class FileReadRequest(NamedTuple):
    """Function 20."""

    function: int
    spans: tuple[FileSpan, ...]


class FileWriteRequest(NamedTuple):
    """Function 21; `reply` is the PDU that confirms it."""

    function: int
    spans: tuple[FileSpan, ...]
    reply: bytes


class FifoRequest(NamedTuple):
    """Function 24."""

    function: int
    address: int


class IdentificationRequest(NamedTuple):
    """Function 43 with MEI type 14: read device identification."""

    function: int
    code: int
    object_id: int


class Reject(NamedTuple):
    """A request that cannot be done whatever the addresses are: its exception code."""

    function: int
    exception: int


Request = (
    ReadRequest
    | WriteRequest
    | MaskWriteRequest
    | ReadWriteRequest
    | DiagnosticRequest
    | FileReadRequest
    | FileWriteRequest
    | FifoRequest
    | IdentificationRequest
)
