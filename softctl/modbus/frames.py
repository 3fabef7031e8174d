"""Modbus/TCP frames (Messaging on TCP/IP Implementation Guide V1.0b, section 3.1).

Rules kept here:
1. Bytes in, whole frames out, however the stream was cut.
2. The length field counts the unit id and the PDU, so it lies in 2..254. Anything else
   means that the framing is lost: nothing after it can be trusted, and `error` says so.
3. A frame of another protocol is still a frame; who receives it decides to discard it.
4. `encode_frame` validates nothing: tests and wire faults need illegal frames.
"""

from __future__ import annotations

from struct import Struct
from typing import NamedTuple

from softctl.modbus.codes import MAX_PDU_BYTES

HEADER_BYTES = 7
MIN_LENGTH = 2
MAX_LENGTH = MAX_PDU_BYTES + 1

_HEADER = Struct(">HHHB")
_unpack_header = _HEADER.unpack_from
_pack_header = _HEADER.pack


class Frame(NamedTuple):
    """One frame: the header's fields (without the length) and the PDU."""

    transaction: int
    protocol: int
    unit: int
    pdu: bytes


class FrameError(NamedTuple):
    """The stream can no longer be split: the header that broke it and its length field."""

    header: bytes
    length: int

    def __str__(self) -> str:
        return (
            f"expected a length field between {MIN_LENGTH} and {MAX_LENGTH}, "
            f"got {self.length} in header {self.header.hex(' ')}"
        )


class FrameSplitter:
    """Cuts one direction of one connection into frames.

    `error` is None until the framing is lost; after that every byte is ignored.
    `is_open` is True while a frame is only partly here, and when the framing is lost.
    """

    __slots__ = ("_rest", "error", "is_open")

    def __init__(self) -> None:
        self._rest = b""
        self.is_open = False
        self.error: FrameError | None = None

    @property
    def pending(self) -> int:
        """The number of bytes of a frame that has begun and not ended."""
        return len(self._rest)

    def feed(self, data: bytes) -> list[Frame]:
        """Take what was received and return every frame that is now whole."""
        if self.error is not None:
            return []
        if self._rest:
            data = self._rest + data
        frames: list[Frame] = []
        start, size = 0, len(data)
        while size - start >= HEADER_BYTES:
            transaction, protocol, length, unit = _unpack_header(data, start)
            if not MIN_LENGTH <= length <= MAX_LENGTH:
                self.error = FrameError(data[start : start + HEADER_BYTES], length)
                start = size
                break
            end = start + 6 + length
            if end > size:
                break
            frames.append(Frame(transaction, protocol, unit, data[start + HEADER_BYTES : end]))
            start = end
        self._rest = data[start:]
        self.is_open = start < size or self.error is not None
        return frames


def whole_frame(frame: Frame) -> bytes:
    """The bytes that a frame came as."""
    transaction, protocol, unit, pdu = frame
    return _pack_header(transaction, protocol, len(pdu) + 1, unit) + pdu


def encode_frame(
    transaction: int, unit: int, pdu: bytes, *, protocol: int = 0, length: int | None = None
) -> bytes:
    """Build a frame; `length` overrides the true length field."""
    true_length = len(pdu) + 1
    return (
        _pack_header(transaction, protocol, true_length if length is None else length, unit) + pdu
    )
