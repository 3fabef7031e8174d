"""Frames as a tester needs them: built byte by byte, read without trust.

This is written apart from `softctl.modbus` on purpose. A tester that shared a codec with
the server it tests would agree with its mistakes.

Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

HEADER_BYTES = 7
MAX_PDU_BYTES = 253
_SHORTEST_LENGTH = 2
_LONGEST_LENGTH = MAX_PDU_BYTES + 1
_HEADER = struct.Struct(">HHHB")


class Reply(NamedTuple):
    """One frame from the server: every field of its header, and its PDU."""

    transaction: int
    protocol: int
    length: int
    unit: int
    pdu: bytes


class Split(NamedTuple):
    """Received bytes cut into frames.

    `rest` is what has not become a frame; `is_lost` says that it never can, because its
    length field lies outside 2..254.
    """

    replies: tuple[Reply, ...]
    rest: bytes
    is_lost: bool


def frame(
    transaction: int, unit: int, pdu: bytes, *, protocol: int = 0, length: int | None = None
) -> bytes:
    """A frame; `length` replaces the true length field, and nothing is checked."""
    true_length = 1 + len(pdu)
    return (
        _HEADER.pack(transaction, protocol, true_length if length is None else length, unit) + pdu
    )


def split_replies(received: bytes | bytearray, most: int | None = None) -> Split:
    """Cut the first `most` frames (None: all) off what was received."""
    replies: list[Reply] = []
    start = 0
    while most is None or len(replies) < most:
        if len(received) - start < HEADER_BYTES:
            break
        transaction, protocol, length, unit = _HEADER.unpack_from(received, start)
        if not _SHORTEST_LENGTH <= length <= _LONGEST_LENGTH:
            return Split(tuple(replies), bytes(received[start:]), True)
        end = start + HEADER_BYTES - 1 + length
        if end > len(received):
            break
        pdu = bytes(received[start + HEADER_BYTES : end])
        replies.append(Reply(transaction, protocol, length, unit, pdu))
        start = end
    return Split(tuple(replies), bytes(received[start:]), False)


def hex_text(data: bytes, most: int = 48) -> str:
    """Bytes as spaced hex digits; a long run is cut and its length told."""
    if len(data) <= most:
        return data.hex(" ").upper() or "nothing"
    return f"{data[:most].hex(' ').upper()} … ({len(data)} bytes)"
