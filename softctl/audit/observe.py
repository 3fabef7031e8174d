"""What clients do, noted while they do it: cheap for what repeats, whole for what does not.

Nearly all that an HMI sends are the same reads again and again. Each is noted by the ten
bytes behind its transaction id, with the intervals at which it comes; everything else (what
it writes, what is refused) is kept with the frame as evidence, up to a limit.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from softctl.modbus.clients import Client
from softctl.modbus.codes import ERROR_BIT
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
KEPT_EVENTS = 2_000
KEPT_STREAMS = 5_000
_FUNCTION_BYTE = 7

Span = tuple[Table, int, int]


class ReadStream:
    """One read that a client repeats: what it covers, how often and at which intervals."""

    __slots__ = ("count", "first_ns", "frame", "function", "intervals", "last_ns", "span")

    def __init__(self, function: int, span: Span, frame: bytes, now_ns: int) -> None:
        self.function = function
        self.span = span
        self.frame = frame
        self.count = 1
        self.first_ns = self.last_ns = now_ns
        self.intervals: deque[int] = deque(maxlen=KEPT_INTERVALS)


@dataclass(slots=True)
class WriteEvent:
    """One range that was asked to be written, in bank form, and whether it was."""

    at_ns: int
    function: int
    table: Table
    address: int
    data: bytes
    frame: bytes
    exception: int = 0


@dataclass(slots=True)
class RefusedEvent:
    """A request that got an exception (or none at all: code 0) and was no write."""

    at_ns: int
    function: int
    span: Span | None
    exception: int
    frame: bytes
    count: int = 1
    last_ns: int = 0


@dataclass(slots=True, eq=False)
class ClientLog:
    """Everything about one connection."""

    name: str
    host: str
    opened_ns: int
    closed_ns: int | None = None
    last_ns: int = 0
    requests: int = 0
    same_transactions: int = 0
    deepest: int = 0
    reads: dict[bytes, ReadStream] = field(default_factory=dict)
    writes: list[WriteEvent] = field(default_factory=list)
    refused: dict[bytes, RefusedEvent] = field(default_factory=dict)
    dropped: int = 0
    transaction: bytes = b""
    burst: int = 0

    def note_burst(self) -> None:
        """One more frame at the same instant."""
        self.burst += 1
        if self.burst > self.deepest:
            self.deepest = self.burst


class Auditor:
    """Takes the observer's calls of a server, and those about its connections."""

    def __init__(self, clock: Callable[[], int]) -> None:
        self.started_ns = clock()
        self.logs: dict[Client, ClientLog] = {}
        self._clock = clock

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
        log.requests += 1
        if now_ns == log.last_ns:
            log.note_burst()
        else:
            log.burst, log.last_ns = 1, now_ns
        transaction = frame[:2]
        if transaction == log.transaction:
            log.same_transactions += 1
        log.transaction = transaction
        stream = log.reads.get(frame[2:])
        if stream is None or reply is None or reply[_FUNCTION_BYTE] >= ERROR_BIT:
            self._note_other(log, frame, request, reply, now_ns)
            return
        stream.count += 1
        stream.intervals.append(now_ns - stream.last_ns)
        stream.last_ns = now_ns

    def _note_other(
        self,
        log: ClientLog,
        frame: bytes,
        request: Request | Reject | None,
        reply: bytes | None,
        now_ns: int,
    ) -> None:
        if reply is not None and reply[_FUNCTION_BYTE] < ERROR_BIT:
            self._done(log, frame, request, now_ns)
        else:
            self._refused(log, frame, request, reply, now_ns)

    def _log(self, client: Client) -> ClientLog:
        log = self.logs.get(client)
        if log is None:
            log = self.logs[client] = ClientLog(client.name, client.host, self._clock())
        return log

    def _done(
        self, log: ClientLog, frame: bytes, request: Request | Reject | None, now_ns: int
    ) -> None:
        if isinstance(request, ReadRequest):
            span = (request.table, request.address, request.quantity)
            if len(log.reads) < KEPT_STREAMS:
                log.reads[frame[2:]] = ReadStream(request.function, span, frame, now_ns)
            else:
                log.dropped += 1
        else:
            self._write(log, frame, request, now_ns, 0)

    def _write(
        self,
        log: ClientLog,
        frame: bytes,
        request: Request | Reject | None,
        now_ns: int,
        exception: int,
    ) -> bool:
        """Keep what the request writes; False if it writes nothing."""
        written = _written(request)
        if written is None:
            return False
        if len(log.writes) < KEPT_EVENTS:
            table, address, data = written
            log.writes.append(
                WriteEvent(now_ns, frame[_FUNCTION_BYTE], table, address, data, frame, exception)
            )
        else:
            log.dropped += 1
        return True

    def _refused(
        self,
        log: ClientLog,
        frame: bytes,
        request: Request | Reject | None,
        reply: bytes | None,
        now_ns: int,
    ) -> None:
        exception = 0 if reply is None else reply[_FUNCTION_BYTE + 1]
        if self._write(log, frame, request, now_ns, exception):
            return
        known = log.refused.get(frame[2:])
        if known is not None:
            known.count += 1
            known.last_ns = now_ns
        elif len(log.refused) < KEPT_EVENTS:
            span = None
            if isinstance(request, ReadRequest):
                span = (request.table, request.address, request.quantity)
            log.refused[frame[2:]] = RefusedEvent(
                now_ns, frame[_FUNCTION_BYTE], span, exception, frame, last_ns=now_ns
            )
        else:
            log.dropped += 1


def _written(request: Request | Reject | None) -> tuple[Table, int, bytes] | None:
    if isinstance(request, WriteRequest):
        return request.table, request.address, request.data
    if isinstance(request, ReadWriteRequest):
        return Table.HOLDING_REGISTERS, request.write_address, request.data
    if isinstance(request, MaskWriteRequest):
        return Table.HOLDING_REGISTERS, request.address, b""
    return None
