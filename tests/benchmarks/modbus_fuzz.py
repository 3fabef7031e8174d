"""Feeds a server with mutated frames: nothing may raise, leak, or answer what it must not.

`python tests/benchmarks/modbus_fuzz.py [FRAMES] [SEED]` runs a million frames by default,
with the memory looked at ten times on the way; the test beside it runs fewer. Requests
start from legal ones of every function, then bytes are changed, cut and repeated, so that
most get past the first check. Connections are streams: frames of ours and of other
protocols, garbage between some of them, cut and joined into receives at random. What is
to be answered is worked out apart from the server, by `askable`.
"""

from __future__ import annotations

import gc
import struct
import sys
import time
import tracemalloc
from collections import deque
from collections.abc import Iterator
from random import Random

from softctl.modbus import Bank, Client, Device, Diagnostics, ExceptionCode, Identification, Server
from softctl.modbus.actions import Close, Send
from softctl.modbus.frames import Frame, FrameSplitter, encode_frame
from softctl.values.tables import Table

SEEDS = [
    bytes.fromhex(text)
    for text in (
        "01 0013 0013",
        "02 00C4 0016",
        "03 006B 0003",
        "04 0008 0001",
        "05 00AC FF00",
        "06 0001 0003",
        "07",
        "08 0000 A537",
        "08 000B 0000",
        "08 0001 FF00",
        "0B",
        "0C",
        "0F 0013 000A 02 CD01",
        "10 0001 0002 04 000A 0102",
        "11",
        "14 0E 06 0004 0001 0002 06 0003 0009 0002",
        "15 0D 06 0004 0007 0003 06AF 04BE 100D",
        "16 0004 00F2 0025",
        "17 0003 0006 000E 0003 06 00FF 00FF 00FF",
        "18 04DE",
        "2B 0E 01 00",
        "2B 0E 04 02",
    )
]
FRAMES_A_CONNECTION = 500
DIRTY_STREAMS = 0.3
"""The share of streams with garbage in them; most garbage ends a stream."""

HEADER = struct.Struct(">HHHB")
GARBAGE = (
    b"",  # stands for random bytes
    b"GET / HTTP/1.1\r\n\r\n",
    bytes(24),
    b"\xff" * 24,
    bytes.fromhex("01 03 00 00 00 01 84 0A"),
    encode_frame(1, 1, b"\x03\0\0\0\1", length=255),
    encode_frame(1, 1, b"\x03\0\0\0\1", protocol=2),
    encode_frame(1, 1, b"\x03\0\0\0\1", length=9),
)
CODES = {int(code) for code in ExceptionCode}


def build_server() -> Server:
    """A device with every function, some addresses and a queue too long to be read."""
    device = Device(
        Bank({table: [(0, 300), (400, 100)] for table in Table}),
        write_check=lambda table, address, data: 4 if address == 5 else None,
        on_write=lambda client, table, address, data: None,
        identification=Identification("Fernhollow", "FH-1", "1.0", {3: "x" * 244, 9: "y" * 99}),
        files={3: bytearray(200), 4: bytearray(400)},
        fifos={0x04DE: [1, 2, 3], 1: [0] * 32},
        diagnostics=Diagnostics(),
    )
    return Server([device])


def mutate(random: Random, pdu: bytes) -> bytes:
    """A PDU of 1..253 bytes that differs from a legal one in a few places, or not at all."""
    data = bytearray(pdu)
    for _ in range(random.choice((0, 0, 1, 1, 2, 5))):
        kind = random.randrange(4)
        where = random.randrange(len(data))
        if kind == 0:
            data[where] = random.choice((0, 1, 6, 0x7F, 0x80, 0xFF, random.randrange(256)))
        elif kind == 1:
            del data[where or 1 :]
        elif kind == 2:
            data[where:where] = random.randbytes(random.choice((1, 2, 40)))
        else:
            data += data[where:]
    return bytes(data[:253])


def check(frame: Frame, reply: Frame) -> None:
    """A reply belongs to its request and is a legal answer to it."""
    assert reply[:3] == (frame.transaction, 0, frame.unit)
    code = frame.pdu[0]
    assert 1 <= len(reply.pdu) <= 253
    if reply.pdu[0] & 0x80:
        assert reply.pdu[0] == code | 0x80
        assert len(reply.pdu) == 2
        assert reply.pdu[1] in CODES
    else:
        assert reply.pdu[0] == code


def askable(stream: bytes) -> tuple[list[Frame], bool]:
    """The frames of a stream that need an answer, and whether its framing is lost.

    Written apart from the server's own splitter. Messaging on TCP/IP Implementation Guide
    V1.0b, sections 3.1.3 and 4.4.2: a protocol id other than 0 is discarded, and so is
    all that follows a length that no frame has.
    """
    found, at = [], 0
    while at + 7 <= len(stream):
        transaction, protocol, length, unit = HEADER.unpack_from(stream, at)
        if not 2 <= length <= 254:
            return found, True
        if at + 6 + length > len(stream):
            break
        if protocol == 0:
            found.append(Frame(transaction, 0, unit, stream[at + 7 : at + 6 + length]))
        at += 6 + length
    return found, False


class Run:
    """One fuzz run; `frames`, `replies`, `streams` and `lost` (framings) count."""

    def __init__(self, seed: int) -> None:
        self.random = Random(seed)
        self.server = build_server()
        self.frames = self.replies = self.streams = self.lost = 0

    def connection(self) -> None:
        """One connection's life: a stream in random receives, each answer looked at."""
        stream = self._stream()
        asked, is_lost = askable(stream)
        due = deque(asked)
        connection = self.server.connect(Client("fuzz"))
        replies, is_closed = FrameSplitter(), False
        for part in self._cut(stream):
            for action in connection.receive(part, self.streams):
                if isinstance(action, Send):
                    assert not is_closed, "an answer after the end"
                    for reply in replies.feed(action.data):
                        check(due.popleft(), reply)
                        self.replies += 1
                else:
                    assert action == Close(self.streams)
                    is_closed = True
        assert not due, f"{len(due)} frames without an answer"
        assert replies.pending == 0
        assert is_closed == is_lost
        self.streams += 1
        self.lost += is_lost

    def _stream(self) -> bytes:
        """Frames, and before a few of them garbage of some kind."""
        random, pieces = self.random, []
        is_dirty = random.random() < DIRTY_STREAMS
        for _ in range(FRAMES_A_CONNECTION):
            if is_dirty and random.random() < 0.01:
                pieces.append(random.choice(GARBAGE) or random.randbytes(random.randrange(300)))
            pdu = mutate(random, random.choice(SEEDS))
            if pdu[:3] == b"\x08\0\x04":
                continue  # listen-only mode would silence the rest
            protocol = random.choice((0, 0, 0, 0, 0, 0, 0, 1, 0xFFFF))
            unit = random.choice((1, 1, 1, 0, 255, 9))
            pieces.append(encode_frame(random.randrange(65_536), unit, pdu, protocol=protocol))
            self.frames += 1
        pieces.append(random.randbytes(random.randrange(300)) if is_dirty else b"")
        return b"".join(pieces)

    def _cut(self, stream: bytes) -> Iterator[bytes]:
        """Single bytes, part headers, whole polls, many frames at once."""
        start = 0
        while start < len(stream):
            size = self.random.choice((1, 7, 12, 100, 4096, self.random.randrange(1, 600)))
            yield stream[start : start + size]
            start += size


def run(frames: int, seed: int) -> Run:
    """Fuzz until so many frames have been sent."""
    state = Run(seed)
    while state.frames < frames:
        state.connection()
    return state


def memory() -> int:
    """Bytes held now, when what can be freed is."""
    gc.collect()
    return tracemalloc.get_traced_memory()[0]


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    tracemalloc.start()
    started = time.perf_counter()
    state = Run(seed)
    held = []
    for tenth in range(1, 11):
        while state.frames < frames * tenth // 10:
            state.connection()
        held.append(memory())
    print(
        f"{state.frames} frames in {state.streams} streams ({state.lost} lost their framing), "
        f"{state.replies} replies, no exception, every reply legal and due; memory after each "
        f"tenth, KiB: {' '.join(str(size // 1024) for size in held)}; "
        f"{time.perf_counter() - started:.0f} s"
    )


if __name__ == "__main__":
    main()
