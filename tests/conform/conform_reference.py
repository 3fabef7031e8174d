"""A Modbus/TCP server for tests: all nineteen functions, right in everything, without IO.

Written from the specification and apart from `softctl.modbus` and `softctl.conform`, so
that the cases are tried against something that shares no code with them. Everything that
can be wrong is a method or an attribute, to be overridden by `conform_flaws`.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import ClassVar

BITS = 2000
REGISTERS = 300
FILE, RECORDS = 4, 10
INPUTS = tuple(index % 3 % 2 for index in range(BITS))
MEASURED = tuple(7 * index for index in range(REGISTERS))
OBJECTS = {0: b"Fernhollow", 1: b"FH-1", 2: b"1.0", 3: b"http://localhost"}


class Refuse(Exception):  # noqa: N818 - an answer, not an error
    """Answer with an exception code."""

    def __init__(self, code: int) -> None:
        self.code = code


@dataclass
class Link:
    """One connection: what has come and is no frame yet, and whether it is closed."""

    buffer: bytes = b""
    is_closed: bool = False
    is_half_closed: bool = False
    opened: int = 0


def word(data: bytes, at: int) -> int:
    return int.from_bytes(data[at : at + 2], "big")


class ReferenceServer:
    """The four tables, one file, one queue, an identification and some counters."""

    unit = 1
    limits: ClassVar = {1: 2000, 2: 2000, 3: 125, 4: 125, 15: 1968, 16: 123}
    max_length = 254
    serves_half_closed = True

    def __init__(self) -> None:
        self.coils = [0] * BITS
        self.inputs = list(INPUTS)
        self.holding = [0] * REGISTERS
        self.measured = list(MEASURED)
        self.records = [0] * RECORDS
        self.queue = [0x01B8, 0x1284]
        self.events = 0
        self.links = 0

    # Connections

    def connect(self) -> Link | None:
        """A new connection, or None when it is refused."""
        self.links += 1
        return Link(opened=self.links)

    def greeting(self, link: Link) -> bytes:
        return b""

    def half_close(self, link: Link) -> None:
        link.is_half_closed = link.is_closed = True

    def disconnect(self, link: Link) -> None:
        link.is_closed = True

    def heard(self, link: Link) -> None:
        """The client has taken all that was sent to it."""

    def receive(self, link: Link, data: bytes) -> bytes:
        """The bytes to send for a segment that came."""
        link.buffer += data
        out = b""
        while not link.is_closed and (found := self.cut(link)) is not None:
            out += self.answer(link, found)
        return out

    def cut(self, link: Link) -> bytes | None:
        """The next whole frame; a length that cannot be closes the connection."""
        if len(link.buffer) < 7:
            return None
        length = word(link.buffer, 4)
        if not 2 <= length <= self.max_length:
            link.is_closed = True
            return None
        if len(link.buffer) < 6 + length:
            return None
        found, link.buffer = link.buffer[: 6 + length], link.buffer[6 + length :]
        return found

    def answer(self, link: Link, frame: bytes) -> bytes:
        transaction, protocol, _, unit = struct.unpack(">HHHB", frame[:7])
        if protocol or unit not in (self.unit, 0, 255):
            return b""
        reply = self.respond(link, frame[7:])
        return b"" if reply is None else self.frame(transaction, unit, reply)

    def frame(self, transaction: int, unit: int, pdu: bytes) -> bytes:
        return struct.pack(">HHHB", transaction, 0, 1 + len(pdu), unit) + pdu

    # Functions

    def respond(self, link: Link, pdu: bytes) -> bytes | None:
        function = pdu[0]
        handler = getattr(self, f"function_{function}", None)
        try:
            if handler is None:
                raise Refuse(1)
            reply = bytes((function,)) + handler(link, pdu)
            if function != 0x0B:
                self.events += 1
            return reply
        except Refuse as refusal:
            return self.refusal(function, refusal.code)

    def refusal(self, function: int, code: int) -> bytes:
        return bytes((function & 0x7F | 0x80, code))

    def need(self, is_right: bool, code: int = 3) -> None:
        if not is_right:
            raise Refuse(code)

    def need_length(self, pdu: bytes, length: int) -> None:
        self.need(len(pdu) == length)

    def need_range(self, values: list[int], first: int, count: int) -> None:
        self.need(first + count <= len(values), 2)

    def need_read(self, values: list[int], pdu: bytes) -> tuple[int, int]:
        self.need_length(pdu, 5)
        first, count = word(pdu, 1), word(pdu, 3)
        self.need_count(pdu[0], count)
        self.need_range(values, first, count)
        return first, count

    def need_count(self, function: int, count: int) -> None:
        self.need(1 <= count <= self.limits[function])

    def read_bits(self, values: list[int], pdu: bytes) -> bytes:
        first, count = self.need_read(values, pdu)
        packed = self.pack(values, first, count)
        return bytes((len(packed),)) + packed

    def pack(self, values: list[int], first: int, count: int) -> bytes:
        digits = "".join(map(str, reversed(values[first : first + count])))
        return int(digits or "0", 2).to_bytes((count + 7) // 8, "little")

    def read_words(self, values: list[int], pdu: bytes) -> bytes:
        first, count = self.need_read(values, pdu)
        return self.words(values[first : first + count])

    def words(self, values: list[int]) -> bytes:
        return bytes((2 * len(values),)) + struct.pack(f">{len(values)}H", *values)

    def store(self, values: list[int], first: int, new: list[int]) -> None:
        values[first : first + len(new)] = new

    def function_1(self, link: Link, pdu: bytes) -> bytes:
        return self.read_bits(self.coils, pdu)

    def function_2(self, link: Link, pdu: bytes) -> bytes:
        return self.read_bits(self.inputs, pdu)

    def function_3(self, link: Link, pdu: bytes) -> bytes:
        return self.read_words(self.holding, pdu)

    def function_4(self, link: Link, pdu: bytes) -> bytes:
        return self.read_words(self.measured, pdu)

    def function_5(self, link: Link, pdu: bytes) -> bytes:
        self.need_length(pdu, 5)
        self.need_coil_value(word(pdu, 3))
        self.need_range(self.coils, word(pdu, 1), 1)
        self.store(self.coils, word(pdu, 1), [1 if word(pdu, 3) else 0])
        return pdu[1:]

    def need_coil_value(self, value: int) -> None:
        self.need(value in (0x0000, 0xFF00))

    def function_6(self, link: Link, pdu: bytes) -> bytes:
        self.need_length(pdu, 5)
        self.need_range(self.holding, word(pdu, 1), 1)
        self.store(self.holding, word(pdu, 1), [word(pdu, 3)])
        return pdu[1:]

    def function_7(self, link: Link, pdu: bytes) -> bytes:
        self.need_length(pdu, 1)
        return b"\x6d"

    def function_8(self, link: Link, pdu: bytes) -> bytes:
        self.need_length(pdu, 5)
        sub, data = word(pdu, 1), pdu[3:]
        self.need(sub in (0, 2, *range(11, 19)), 1)
        self.need(sub == 0 or data == b"\0\0")
        return pdu[1:]

    def function_11(self, link: Link, pdu: bytes) -> bytes:
        self.need_length(pdu, 1)
        return struct.pack(">HH", 0, self.events & 0xFFFF)

    def function_12(self, link: Link, pdu: bytes) -> bytes:
        self.need_length(pdu, 1)
        return struct.pack(">BHHH", 8, 0, self.events & 0xFFFF, 0x0121) + b"\x20\x00"

    def unpacked(self, link: Link, pdu: bytes, at: int, size: int, is_bits: bool) -> list[int]:
        """The values of a write, after its count, byte count and length were checked."""
        count = word(pdu, at)
        self.need(pdu[at + 2] == size == len(pdu) - at - 3)
        data = pdu[at + 3 :]
        if is_bits:
            return [data[index // 8] >> index % 8 & 1 for index in range(count)]
        return list(struct.unpack(f">{count}H", data))

    def function_15(self, link: Link, pdu: bytes) -> bytes:
        self.need(len(pdu) > 5)
        count = word(pdu, 3)
        self.need_count(15, count)
        values = self.unpacked(link, pdu, 3, (count + 7) // 8, True)
        self.write_range(self.coils, word(pdu, 1), values)
        return pdu[1:5]

    def function_16(self, link: Link, pdu: bytes) -> bytes:
        self.need(len(pdu) > 5)
        count = word(pdu, 3)
        self.need_count(16, count)
        values = self.unpacked(link, pdu, 3, 2 * count, False)
        self.write_range(self.holding, word(pdu, 1), values)
        return pdu[1:5]

    def write_range(self, values: list[int], first: int, new: list[int]) -> None:
        self.need_range(values, first, len(new))
        self.store(values, first, new)

    def function_17(self, link: Link, pdu: bytes) -> bytes:
        self.need_length(pdu, 1)
        return b"\x03FH\xff"

    def function_20(self, link: Link, pdu: bytes) -> bytes:
        self.need(len(pdu) > 1)
        self.need(7 <= pdu[1] <= 0xF5 and pdu[1] == len(pdu) - 2 and pdu[1] % 7 == 0)
        out = b""
        for at in range(2, len(pdu), 7):
            self.need(pdu[at] == 6, 2)
            out += self.group(word(pdu, at + 1), word(pdu, at + 3), word(pdu, at + 5))
        return bytes((len(out),)) + out

    def group(self, file: int, first: int, count: int) -> bytes:
        self.need(file == FILE and first + count <= RECORDS, 2)
        data = struct.pack(f">{count}H", *self.records[first : first + count])
        return bytes((1 + len(data), 6)) + data

    def function_21(self, link: Link, pdu: bytes) -> bytes:
        self.need(len(pdu) > 8)
        self.need(9 <= pdu[1] <= 0xFB and pdu[1] == len(pdu) - 2)
        self.need(pdu[2] == 6, 2)
        first, count = word(pdu, 5), word(pdu, 7)
        self.need(len(pdu) == 9 + 2 * count)
        self.need(word(pdu, 3) == FILE and first + count <= RECORDS, 2)
        self.store(self.records, first, list(struct.unpack(f">{count}H", pdu[9:])))
        return pdu[1:]

    def function_22(self, link: Link, pdu: bytes) -> bytes:
        self.need_length(pdu, 7)
        address, and_mask, or_mask = struct.unpack(">HHH", pdu[1:])
        self.need_range(self.holding, address, 1)
        value = self.holding[address] & and_mask | or_mask & ~and_mask & 0xFFFF
        self.store(self.holding, address, [value])
        return pdu[1:]

    def function_23(self, link: Link, pdu: bytes) -> bytes:
        self.need(len(pdu) > 9)
        source, count, target, new_count = struct.unpack(">HHHH", pdu[1:9])
        self.need(1 <= count <= 125 and 1 <= new_count <= 121)
        new = self.unpacked(link, pdu, 7, 2 * new_count, False)
        self.need_range(self.holding, source, count)
        self.need_range(self.holding, target, new_count)
        self.store(self.holding, target, new)
        return self.words(self.holding[source : source + count])

    def function_24(self, link: Link, pdu: bytes) -> bytes:
        self.need_length(pdu, 3)
        self.need(word(pdu, 1) == 0, 2)
        size = len(self.queue)
        return struct.pack(f">HH{size}H", 2 + 2 * size, size, *self.queue)

    def function_43(self, link: Link, pdu: bytes) -> bytes:
        self.need(len(pdu) > 1)
        self.need(pdu[1] == 0x0E, 1)
        self.need_length(pdu, 4)
        code, first = pdu[2], pdu[3]
        self.need(1 <= code <= 4)
        if code == 4:
            self.need(first in OBJECTS, 2)
            return self.page(code, [first])
        highest = 2 if code == 1 else 255
        first = first if first in OBJECTS and first <= highest else 0
        return self.page(code, [number for number in OBJECTS if first <= number <= highest])

    def page(self, code: int, numbers: list[int]) -> bytes:
        out = bytes((0x0E, code, 0x82, 0, 0, len(numbers)))
        for number in numbers:
            out += bytes((number, len(OBJECTS[number]))) + OBJECTS[number]
        return out
