"""Flaws of streams and of servers with several clients."""

from __future__ import annotations

from conform_flaws import sees
from conform_reference import ReferenceServer


@sees("clients-halves stream-joined-half stream-split-*")
class ClosesOnSplitFrames(ReferenceServer):
    def receive(self, link, data):
        out = super().receive(link, data)
        link.is_closed = link.is_closed or bool(link.buffer)
        return out


@sees("stream-split-after-1 stream-split-every-byte stream-split-in-*")
class SplitOnlyAfterHeader(ReferenceServer):
    """Reads seven bytes at once, then the rest at once, and forgets all else."""

    def receive(self, link, data):
        if not link.buffer and len(data) < 7:
            return b""
        return super().receive(link, data)


@sees("stream-half-close-16 stream-joined-* stream-pipeline-16-joined")
class FirstOfSegmentOnly(ReferenceServer):
    """Answers the first frame of what came together and drops the rest."""

    def receive(self, link, data):
        link.buffer += data
        frame = self.cut(link)
        if frame is None:
            return b""
        link.buffer = b""
        return self.answer(link, frame)


@sees(
    "header-protocol-0001 header-protocol-0100 header-protocol-ffff stream-half-close-16 "
    "stream-joined-* stream-pipeline-*"
)
class OneAtATime(ReferenceServer):
    """Requests that come while another waits for its answer to be taken are dropped."""

    most = 1

    def answer(self, link, frame):
        link.burst = getattr(link, "burst", 0) + 1
        return super().answer(link, frame) if link.burst <= self.most else b""

    def heard(self, link):
        link.burst = 0


@sees("stream-*-16 stream-pipeline-16-joined stream-pipeline-64 stream-pipeline-values")
class AtMostTenAtOnce(OneAtATime):
    most = 10


@sees("stream-pipeline-64")
class AtMostFortyAtOnce(OneAtATime):
    most = 40


@sees(
    "stream-half-close-16 stream-joined-2 stream-joined-3 stream-joined-exception "
    "stream-joined-half stream-pipeline-*"
)
class NeighboursTransaction(ReferenceServer):
    """Of answers that pile up, each carries the transaction id of the one before it."""

    def answer(self, link, frame):
        reply = super().answer(link, frame)
        previous, link.previous = getattr(link, "previous", b""), reply[:2]
        return previous + reply[2:] if previous and reply else reply

    def heard(self, link):
        link.previous = b""


@sees("stream-joined-exception")
class ExceptionEndsSegment(ReferenceServer):
    """After a refusal the rest of what came together is thrown away."""

    def answer(self, link, frame):
        reply = super().answer(link, frame)
        if len(reply) > 7 and reply[7] & 0x80:
            link.buffer = b""
        return reply


@sees("stream-hundred stream-pipeline-64")
class GivesUpAfterFifty(ReferenceServer):
    """A connection is good for fifty requests."""

    def answer(self, link, frame):
        link.count = getattr(link, "count", 0) + 1
        return super().answer(link, frame) if link.count <= 50 else b""


@sees(
    "* !clients-*-50 !clients-idle-16 !clients-lost-framing !clients-mid-frame-20 "
    "!clients-stalled !clients-unread-64 !fc03-last !fc03-one !function-003-answered "
    "!header-protocol-reply !header-protocol-reply-exception !header-transaction-0000 "
    "!header-unit-echo !header-unit-echo-exception !stream-cut-off !stream-half-close "
    "!stream-split-after-* !stream-split-before-last !stream-split-every-byte "
    "!stream-split-in-*"
)
class GreetsItsClients(ReferenceServer):
    def greeting(self, link):
        return self.frame(0, 1, b"\x03\x02\0\0")


@sees(
    "clients-lost-framing fc03-slices fc06-bare fc06-long fc06-short fc11-counts fc16-one "
    "fc22-bare fc22-long fc22-short header-transaction-same-twice memory-last-register "
    "memory-two-clients memory-walking-bit memory-whole-mask memory-word-order "
    "stream-half-close-16 stream-hundred stream-joined-* stream-nothing-more stream-pipeline-*"
)
class SaysOneByteMore(ReferenceServer):
    def answer(self, link, frame):
        reply = super().answer(link, frame)
        return reply + b"\0" if reply and reply[7] == 3 and len(reply) == 11 else reply


@sees(
    "fc03-slices fc06-bare fc06-long fc06-short fc11-counts fc16-one fc22-bare fc22-long "
    "fc22-short header-transaction-same-twice memory-last-register memory-two-clients "
    "memory-walking-bit memory-whole-mask memory-word-order stream-*-16 stream-hundred "
    "stream-joined-* stream-nothing-more stream-pipeline-16-joined stream-pipeline-2 "
    "stream-pipeline-64"
)
class AnswersTwice(ReferenceServer):
    def answer(self, link, frame):
        reply = super().answer(link, frame)
        return 2 * reply if reply[7:8] == b"\x03" and len(reply) == 11 else reply


@sees(
    "header-length-0 header-length-1 header-length-255 header-length-260 header-length-ffff "
    "stream-garbage-*"
)
class GarbageIsRefused(ReferenceServer):
    """Answers whatever it cannot read with an exception."""

    def cut(self, link):
        frame = super().cut(link)
        if link.is_closed:
            link.is_closed = False
            link.buffer = b""
            return b"\0\0\0\0\0\2\1\x40"
        return frame

    def receive(self, link, data):
        if data[2:4] != b"\0\0" and len(data) > 12 and data[:3] != b"\x01\x01\0":
            return self.frame(0, 1, b"\x80\x01")
        return super().receive(link, data)


@sees("clients-mid-frame-20 stream-cut-off")
class CutOffHangsIt(ReferenceServer):
    """Nobody is served after somebody left inside a frame."""

    hangs = False

    def disconnect(self, link):
        self.hangs = self.hangs or (bool(link.buffer) and not link.is_closed)
        super().disconnect(link)

    def connect(self):
        return None if self.hangs else super().connect()


@sees("stream-half-close stream-half-close-16")
class HalfClosedIsClosed(ReferenceServer):
    """Answers are thrown away when the client closes its sending side."""

    serves_half_closed = False


@sees("stream-half-close-idle")
class HalfClosedStaysOpen(ReferenceServer):
    def half_close(self, link):
        link.is_half_closed = True


@sees(
    "clients-eight clients-halves clients-idle-16 clients-same-transaction clients-stalled "
    "clients-two me*-two-clients memory-whole-* stream-garbage-*"
)
class OneClientOnly(ReferenceServer):
    """A second connection is refused while there is one."""

    open_links = 0

    def connect(self):
        if self.open_links:
            return None
        self.open_links += 1
        return super().connect()

    def disconnect(self, link):
        self.open_links -= 1
        super().disconnect(link)


@sees("clients-idle-16")
class TenConnectionsOnly(OneClientOnly):
    """Refuses the eleventh instead of closing an idle one."""

    def connect(self):
        if self.open_links >= 10:
            return None
        self.open_links += 1
        return ReferenceServer.connect(self)


@sees(
    "clients-halves clients-lost-framing clients-mid-frame-20 clients-stalled header-length-0 "
    "header-length-1 header-length-255 header-length-260 header-length-ffff stream-cut-off "
    "stream-garbage-*"
)
class SharedBuffer(ReferenceServer):
    """All connections share one buffer."""

    shared = b""

    def receive(self, link, data):
        link.buffer = self.shared
        out = super().receive(link, data)
        self.shared = link.buffer
        return out


@sees("clients-same-transaction")
class SharedTransaction(ReferenceServer):
    """Answers go out once per transaction id, to whoever asked first."""

    def __init__(self):
        super().__init__()
        self.seen = {}

    def answer(self, link, frame):
        owner = self.seen.setdefault(frame[:2], link)
        if owner is not link and not owner.is_closed:
            return b""
        self.seen[frame[:2]] = link
        return super().answer(link, frame)


@sees("clients-halves clients-stalled")
class StalledByHalfAFrame(ReferenceServer):
    """Serves nobody while somebody's frame is not whole."""

    waiting = None

    def receive(self, link, data):
        if self.waiting not in (None, link) and not self.waiting.is_closed:
            return b""
        out = super().receive(link, data)
        self.waiting = link if link.buffer and not link.is_closed else None
        return out


@sees("clients-lost-framing")
class SpoiltByOne(ReferenceServer):
    """Lost framing on one connection ends every connection."""

    def __init__(self):
        super().__init__()
        self.all = []

    def connect(self):
        link = super().connect()
        self.all.append(link)
        return link

    def receive(self, link, data):
        out = super().receive(link, data)
        if link.is_closed:
            for other in self.all:
                other.is_closed = True
        return out


@sees("clients-*-50")
class ThirtyConnectionsInAll(ReferenceServer):
    """Never forgets a connection and has room for thirty."""

    def connect(self):
        return super().connect() if self.links < 30 else None


@sees("clients-reset-50 clients-unread-64")
class LostAfterReset(ReferenceServer):
    """Dies when a client is gone before its answer."""

    is_dead = False

    def disconnect(self, link):
        if getattr(link, "burst", 0) and not link.is_closed:
            self.is_dead = True
        super().disconnect(link)

    def receive(self, link, data):
        link.burst = getattr(link, "burst", 0) + len(data) // 12
        return super().receive(link, data)

    def heard(self, link):
        link.burst = 0

    def connect(self):
        return None if self.is_dead else super().connect()
