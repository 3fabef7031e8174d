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


class Reject(NamedTuple):
    """A request that cannot be done whatever the addresses are: its exception code."""

    function: int
    exception: int


Request = ReadRequest | WriteRequest | MaskWriteRequest | ReadWriteRequest
