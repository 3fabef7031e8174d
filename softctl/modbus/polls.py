"""Reads that clients repeat, answered from what the first answer has taught.

A client polls: behind a fresh transaction id come the same ten bytes again and again. The
first time they are answered the long way, through every check of form, permission and
address. When that gave data, a `Poll` remembers where the data lies, so that the next
time is one look-up and one copy of memory. Rules:

1. Only whole frames of functions 01 to 04 are polls, and only those that got data.
2. A poll is worth what its checks are worth: it is kept no longer than the connection
   when permission depends on who asks (see `Server.polls`).
3. However many distinct reads clients invent, memory stays bounded.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from struct import Struct
from typing import NamedTuple

from softctl.modbus.access import decode_read
from softctl.modbus.bank import Bank
from softctl.modbus.bits import pack_bits
from softctl.modbus.codes import ERROR_BIT
from softctl.modbus.frames import HEADER_BYTES, Frame, encode_frame
from softctl.modbus.requests import ReadRequest

POLL_BYTES = 12
MAX_SHARED_POLLS = 16_384
"""Distinct reads remembered for a whole server: some 6 MB."""

MAX_CLIENT_POLLS = 512
"""Distinct reads remembered for one connection where permission depends on the client."""

READ_CODES = frozenset({0x01, 0x02, 0x03, 0x04})

_SPLIT = Struct("2s10s")
split_poll: Callable[[memoryview], tuple[bytes, bytes]] = _SPLIT.unpack_from
"""The transaction id and the rest of the frame at the start of a buffer."""

split_polls: Callable[[memoryview], Iterator[tuple[bytes, bytes]]] = _SPLIT.iter_unpack
"""The same for each frame of a buffer that holds whole polls only."""


class Poll(NamedTuple):
    """What is between the transaction id and the data of a reply, and where the data lies.

    `start` and `stop` are bytes of `memory`; `pack` turns them into the wire's form, None
    for registers, which lie there as they are sent.
    """

    head: bytes
    memory: bytearray
    start: int
    stop: int
    pack: Callable[[bytearray], bytes] | None
    request: ReadRequest


class Polls:
    """Polls by the ten bytes that follow the transaction id, at most `limit` of them."""

    __slots__ = ("get", "known", "limit")

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self.known: dict[bytes, Poll] = {}
        self.get = self.known.get

    def learn(self, frame: Frame, bank: Bank, reply: bytes) -> None:
        """Remember an answered read; anything else is passed over.

        When there are too many, all are forgotten: what is still polled is learnt again.
        """
        if frame.pdu[0] not in READ_CODES or reply[HEADER_BYTES] & ERROR_BIT:
            return
        if len(self.known) >= self.limit:
            self.known.clear()
        request = decode_read(frame.pdu)
        area = bank.area(request.table)
        start = area.width * request.address
        self.known[encode_frame(0, frame.unit, frame.pdu)[2:]] = Poll(
            reply[2 : HEADER_BYTES + 2],
            area.memory,
            start,
            start + area.width * request.quantity,
            pack_bits if request.table.is_bits else None,
            request,
        )
