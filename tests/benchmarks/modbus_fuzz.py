"""Feeds a server with mutated frames: nothing may raise, leak, or answer what it must not.

`python tests/benchmarks/modbus_fuzz.py [FRAMES] [SEED]` runs a million frames by default;
the test beside it runs fewer. Requests start from legal ones of every function, then
bytes are changed, cut, repeated and cut into receives at random, so that most get past
the first check.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections import deque
from random import Random

from softctl.modbus import Bank, Client, Device, Diagnostics, ExceptionCode, Identification, Server
from softctl.modbus.actions import Send
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


class Run:
    """One fuzz run; `frames` and `replies` count."""

    def __init__(self, seed: int) -> None:
        self.random = Random(seed)
        self.server = build_server()
        self.frames = self.replies = 0

    def connection(self) -> None:
        """One connection's life: frames in random receives, then perhaps lost framing."""
        random = self.random
        connection = self.server.connect(Client("fuzz"))
        diagnostics = self.server.devices[1].diagnostics
        assert diagnostics is not None
        asked: deque[Frame] = deque()
        stream = bytearray()
        for _ in range(FRAMES_A_CONNECTION):
            frame = Frame(
                random.randrange(65_536),
                random.choice((0, 0, 0, 0, 0, 0, 0, 1, 0xFFFF)),
                random.choice((1, 1, 1, 0, 255, 9)),
                mutate(random, random.choice(SEEDS)),
            )
            if frame.pdu[:3] == b"\x08\0\x04":
                continue  # listen-only mode would silence the rest
            self.frames += 1
            stream += encode_frame(
                frame.transaction, frame.unit, frame.pdu, protocol=frame.protocol
            )
            if frame.protocol == 0:
                asked.append(frame)
        replies = FrameSplitter()
        tail = random.randbytes(random.randrange(300))
        start = 0
        while start < len(stream):
            size = random.choice((1, 7, 100, 4096))
            for action in connection.receive(bytes(stream[start : start + size]), start):
                assert isinstance(action, Send)
                for reply in replies.feed(action.data):
                    check(asked.popleft(), reply)
                    self.replies += 1
            start += size
        assert not asked
        assert replies.pending == 0
        connection.receive(tail, start)


def run(frames: int, seed: int) -> Run:
    """Fuzz until so many frames have been sent."""
    state = Run(seed)
    while state.frames < frames:
        state.connection()
    return state


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    run(10_000, seed)
    tracemalloc.start()
    run(10_000, seed)
    before, _ = tracemalloc.get_traced_memory()
    run(10_000, seed + 1)
    after, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    started = time.perf_counter()
    state = run(frames, seed + 2)
    print(
        f"{state.frames} frames, {state.replies} replies, no exception, every reply legal; "
        f"memory grew by {after - before} bytes over 10000 frames; "
        f"{time.perf_counter() - started:.0f} s"
    )


if __name__ == "__main__":
    main()
