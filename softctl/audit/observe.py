"""What clients do, noted while they do it: cheap for what repeats, whole for what does not.

Nearly all that an HMI sends are the same reads again and again. Each is noted by the ten
bytes behind its transaction id, with the times at which it comes; everything else (what
it writes, what is refused) is kept with the frame as evidence, up to a limit.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from softctl.modbus.clients import Client
from softctl.modbus.codes import ERROR_BIT
from softctl.modbus.functions import decode_request
from softctl.modbus.polls import POLL_BYTES
from softctl.modbus.requests import (
    MaskWriteRequest,
    ReadRequest,
    ReadWriteRequest,
    Reject,
    Request,
    WriteRequest,
)
from softctl.values.tables import Table

KEPT_INTERVALS = 4_096
KEPT_FRAMES = 64
KEPT_EVENTS = 2_000
KEPT_STREAMS = 5_000
KEPT_LOGS = 5_000
_FUNCTION_BYTE = 7

Span = tuple[Table, int, int]

StillFor = Callable[[Client, int], int]
"""For how long, in ns up to a time, a client has seen a heartbeat stand still."""


def never_still(_: Client, __: int) -> int:
    """Nothing stops the heartbeat."""
    return 0


class ReadStream:
    """One read that a client repeats: what it covers, how often and when.

    `times` are the last ones, as many as are kept.
    """

    __slots__ = ("count", "first_ns", "frame", "function", "span", "times")

    def __init__(self, span: Span, frame: bytes, now_ns: int, kept: int) -> None:
        self.function = frame[_FUNCTION_BYTE]
        self.span = span
        self.frame = frame
        self.count = 1
        self.first_ns = now_ns
        self.times = deque((now_ns,), maxlen=kept + 1)

    def note(self, now_ns: int) -> None:
        """It came again."""
        self.count += 1
        self.times.append(now_ns)

    @property
    def is_cut(self) -> bool:
        """Whether its early times are gone."""
        return self.count > len(self.times)

    @property
    def median_ns(self) -> float:
        """The median of its intervals, 0 if it came once."""
        return median([b - a for a, b in pairwise(self.times)]) if self.count > 1 else 0.0


@dataclass(frozen=True, slots=True)
class WriteEvent:
    """One range that was asked to be written, in bank form, and whether it was.

    `data` is that of the frame; function 22 has its two masks there. `exception` is the
    answer's code, 0 where there was no answer at all and None where it was done. `still_ns`
    is how long the client had seen the heartbeat stand still.
    """

    at_ns: int
    function: int
    span: Span
    data: bytes
    frame: bytes
    exception: int | None = None
    still_ns: int = 0


@dataclass(slots=True)
class RefusedEvent:
    """A request that got an exception (or none at all: code 0) and was no write.

    `nobody` means that no device saw it.
    """

    at_ns: int
    function: int
    span: Span | None
    exception: int
    frame: bytes
    count: int = 1
    nobody: bool = False


@dataclass(slots=True, eq=False)
class ClientLog:
    """Everything about one connection.

    `last` are its last frames, `others` the requests that are in none of `reads`. `burst` is
    how many came at the last instant, `deepest` the most at any before.
    """

    name: str
    host: str
    opened_ns: int
    closed_ns: int | None = None
    last_ns: int = 0
    deepest: int = 0
    others: int = 0
    reads: dict[bytes, ReadStream] = field(default_factory=dict)
    writes: list[WriteEvent] = field(default_factory=list)
    refused: dict[bytes, RefusedEvent] = field(default_factory=dict)
    dropped: int = 0
    last: deque[bytes] = field(default_factory=lambda: deque(maxlen=KEPT_FRAMES))
    burst: int = 0

    @property
    def requests(self) -> int:
        """All that it asked."""
        return self.others + sum(stream.count for stream in self.reads.values())

    @property
    def most_at_once(self) -> int:
        """The most requests that came at one instant."""
        return max(self.deepest, self.burst)

    @property
    def transactions(self) -> list[bytes]:
        """The numbers of the last requests."""
        return [frame[:2] for frame in self.last]

    def frames(self) -> Iterator[bytes]:
        """A frame of each thing that it did."""
        yield from (stream.frame for stream in self.reads.values())
        yield from (event.frame for event in self.writes)
        yield from (event.frame for event in self.refused.values())


class Auditor:
    """Takes the observer's calls of a server, and those about its connections.

    `kept` is how many intervals of each read are kept, the last ones. `still_for` is asked
    when something is written.
    """

    def __init__(self, clock: Callable[[], int], kept: int = KEPT_INTERVALS) -> None:
        self.started_ns = clock()
        self.logs: dict[Client, ClientLog] = {}
        self.still_for: StillFor = never_still
        self._clock = clock
        self._kept = kept

    def begin(self) -> None:
        """Count the audit's time from now on."""
        self.started_ns = self._clock()

    def opened(self, client: Client) -> None:
        """A client has connected."""
        self._log(client)

    def closed(self, client: Client) -> None:
        """A client has gone."""
        self._log(client).closed_ns = self._clock()

    def on_request(
        self, client: Client, frame: bytes, request: Request | Reject | None, reply: bytes | None
    ) -> None:
        """One frame has been dealt with (`softctl.modbus.server.Observer`).

        Nearly every call is a read that came before, so that way is written out in one piece.
        """
        log = self.logs.get(client) or self._log(client)
        now_ns = client.last_used_ns
        if now_ns == log.last_ns:
            log.burst += 1
        else:
            if log.burst > log.deepest:
                log.deepest = log.burst
            log.burst, log.last_ns = 1, now_ns
        log.last.append(frame)
        stream = log.reads.get(frame[2:])
        if stream is None or reply is None or reply[_FUNCTION_BYTE] >= ERROR_BIT:
            self._note_other(log, client, frame, request, reply)
            return
        stream.count += 1
        stream.times.append(now_ns)

    def on_polls(self, client: Client, frames: bytes) -> None:
        """Several polls that came at once were answered (`softctl.modbus.server.PollObserver`)."""
        log = self.logs.get(client) or self._log(client)
        now_ns, known = client.last_used_ns, log.reads.get
        if now_ns != log.last_ns:
            log.deepest, log.burst, log.last_ns = log.most_at_once, 0, now_ns
        log.burst += len(frames) // POLL_BYTES
        each = [frames[at : at + POLL_BYTES] for at in range(0, len(frames), POLL_BYTES)]
        log.last.extend(each)
        for frame in each:
            stream = known(frame[2:])
            if stream is not None:
                stream.count += 1
                stream.times.append(now_ns)
            else:
                request = decode_request(frame[_FUNCTION_BYTE:])
                assert isinstance(request, ReadRequest)
                self._read(log, frame, request, now_ns)

    def _log(self, client: Client) -> ClientLog:
        log = self.logs.get(client)
        if log is None:
            dropped = self._forget() if len(self.logs) >= KEPT_LOGS else 0
            log = ClientLog(client.name, client.host, self._clock(), dropped=dropped)
            self.logs[client] = log
        return log

    def _forget(self) -> int:
        """Make room for a connection: one that is gone goes, best one that asked for nothing.

        Without it a client that connects for ever would fill the memory.
        """
        gone = [client for client, log in self.logs.items() if log.closed_ns is not None]
        idle = next((client for client in gone if not self.logs[client].requests), None)
        if not gone:
            return 0
        return 1 + self.logs.pop(idle or gone[0]).dropped

    def _note_other(
        self,
        log: ClientLog,
        client: Client,
        frame: bytes,
        request: Request | Reject | None,
        reply: bytes | None,
    ) -> None:
        now_ns, exception = client.last_used_ns, _exception(reply)
        if exception is None and isinstance(request, ReadRequest | ReadWriteRequest):
            self._read(log, frame, request, now_ns)
        else:
            log.others += 1
        written = written_range(request)
        if written is not None:
            still_ns = self.still_for(client, now_ns)
            function = frame[_FUNCTION_BYTE]
            _keep(log, WriteEvent(now_ns, function, *written, frame, exception, still_ns))
        elif exception is not None:
            _refuse(log, frame, request, exception, now_ns)

    def _read(
        self, log: ClientLog, frame: bytes, request: ReadRequest | ReadWriteRequest, now_ns: int
    ) -> None:
        """A read that got data; what function 23 writes beside it is no part of the read."""
        known = log.reads.get(frame[2:POLL_BYTES])
        if known is not None:
            known.note(now_ns)
        elif len(log.reads) < KEPT_STREAMS:
            span = _read_span(request)
            log.reads[frame[2:POLL_BYTES]] = ReadStream(span, frame, now_ns, self._kept)
        else:
            log.others += 1
            log.dropped += 1


def _exception(reply: bytes | None) -> int | None:
    """The exception's code in a reply, 0 where there was none at all; None for an answer."""
    if reply is None:
        return 0
    return reply[_FUNCTION_BYTE + 1] if reply[_FUNCTION_BYTE] >= ERROR_BIT else None


def _read_span(request: ReadRequest | ReadWriteRequest) -> Span:
    table = request.table if isinstance(request, ReadRequest) else Table.HOLDING_REGISTERS
    return table, request.address, request.quantity


def written_range(request: Request | Reject | None) -> tuple[Span, bytes] | None:
    """What a request writes, and where; None if it writes nothing."""
    if isinstance(request, WriteRequest):
        return (request.table, request.address, request.quantity), request.data
    if isinstance(request, ReadWriteRequest):
        count = len(request.data) // 2
        return (Table.HOLDING_REGISTERS, request.write_address, count), request.data
    if isinstance(request, MaskWriteRequest):
        masks = request.and_mask.to_bytes(2) + request.or_mask.to_bytes(2)
        return (Table.HOLDING_REGISTERS, request.address, 1), masks
    return None


def _keep(log: ClientLog, event: WriteEvent) -> None:
    if len(log.writes) < KEPT_EVENTS:
        log.writes.append(event)
    else:
        log.dropped += 1


def _refuse(
    log: ClientLog,
    frame: bytes,
    request: Request | Reject | None,
    exception: int,
    now_ns: int,
) -> None:
    known = log.refused.get(frame[2:])
    if known is not None:
        known.count += 1
    elif len(log.refused) < KEPT_EVENTS:
        span = _read_span(request) if isinstance(request, ReadRequest) else None
        log.refused[frame[2:]] = RefusedEvent(
            now_ns, frame[_FUNCTION_BYTE], span, exception, frame, nobody=request is None
        )
    else:
        log.dropped += 1
