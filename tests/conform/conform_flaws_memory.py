"""Flaws of what a server remembers."""

from __future__ import annotations

import struct

from conform_flaws import sees
from conform_reference import BITS, REGISTERS, ReferenceServer, word


@sees("header-protocol-write me*-two-clients memory-reconnect memory-whole-mask")
class MemoryPerConnection(ReferenceServer):
    def respond(self, link, pdu):
        if not hasattr(link, "holding"):
            link.holding, link.coils = [0] * REGISTERS, [0] * BITS
        self.holding, self.coils = link.holding, link.coils
        return super().respond(link, pdu)


@sees("header-protocol-write memory-reconnect")
class ForgetsAtDisconnect(ReferenceServer):
    def disconnect(self, link):
        self.holding = [0] * REGISTERS
        super().disconnect(link)


@sees("memory-whole-coils memory-whole-read-write memory-whole-registers")
class TornWrites(ReferenceServer):
    """The second half of a long write is stored when the next request comes."""

    late = None

    def answer(self, link, frame):
        is_write = frame[7] in (15, 16, 23)
        if self.late is not None and (is_write or link is self.writer):
            self.finish_late()
        reply = super().answer(link, frame)
        if self.late is not None and link is not self.writer:
            self.finish_late()
        return reply

    def finish_late(self):
        values, first, new = self.late
        self.late = None
        ReferenceServer.store(self, values, first, new)

    def store(self, values, first, new):
        half = len(new) // 2
        if len(new) >= 50:
            self.late = (values, first + half, new[half:])
            new = new[:half]
        super().store(values, first, new)

    def unpacked(self, link, pdu, at, size, is_bits):
        self.writer = link
        return super().unpacked(link, pdu, at, size, is_bits)


@sees("memory-whole-mask")
class LostUpdates(ReferenceServer):
    """Function 22 works on the value that its connection saw last."""

    def function_22(self, link, pdu):
        self.need_length(pdu, 7)
        address, and_mask, or_mask = struct.unpack(">HHH", pdu[1:])
        self.need_range(self.holding, address, 1)
        seen = getattr(link, "seen", self.holding[address])
        value = seen & and_mask | or_mask & ~and_mask & 0xFFFF
        link.seen = value
        self.store(self.holding, address, [value])
        return pdu[1:]

    def function_6(self, link, pdu):
        link.seen = word(pdu, 3)
        return super().function_6(link, pdu)


@sees("memory-whole-read-write")
class ReadWriteSeesOthers(ReferenceServer):
    """Function 23 reads what the connection before it wrote."""

    last_link = None

    def function_23(self, link, pdu):
        before = list(self.holding)
        reply = super().function_23(link, pdu)
        stranger = self.last_link not in (None, link)
        self.last_link = link
        source, count = word(pdu, 1), word(pdu, 3)
        return self.words(before[source : source + count]) if stranger else reply


@sees("memory-coils-agree")
class TwoCoilMemories(ReferenceServer):
    """Function 05 has coils of its own when function 15 has used them."""

    def function_5(self, link, pdu):
        touched = getattr(self, "touched", False)
        before = list(self.coils)
        reply = super().function_5(link, pdu)
        if touched and word(pdu, 1) == 2:
            self.coils[:] = before
        return reply

    def function_15(self, link, pdu):
        self.touched = True
        return super().function_15(link, pdu)


@sees("fc16-past-end memory-last-*")
class LastRegisterReadOnly(ReferenceServer):
    def store(self, values, first, new):
        last = values[-1]
        super().store(values, first, new)
        values[-1] = last


@sees("memory-walking-bit")
class TopBitLost(ReferenceServer):
    def function_6(self, link, pdu):
        reply = super().function_6(link, pdu)
        if word(pdu, 3) == 0x8000:
            self.holding[word(pdu, 1)] = 0
        return reply
