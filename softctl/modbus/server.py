"""What a server does with received bytes: things to send, each at its time.

The shell owns sockets and clocks; here `(bytes, now_ns)` become actions. A delay is a
later time, silence is no action. Nothing about one request is kept on the connection, so
pipelined requests cannot disturb each other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from enum import Enum

from softctl.modbus.actions import Action, Close, Send
from softctl.modbus.bank import Bank
from softctl.modbus.clients import Client, Policy, Pool
from softctl.modbus.codes import ERROR_BIT, ExceptionCode, encode_exception
from softctl.modbus.device import Device
from softctl.modbus.faults import Faults
from softctl.modbus.frames import Frame, FrameSplitter, encode_frame, whole_frame
from softctl.modbus.functions import CHANGING_FUNCTIONS, decode_request
from softctl.modbus.polls import (
    MAX_CLIENT_POLLS,
    MAX_SHARED_POLLS,
    POLL_BYTES,
    READ_CODES,
    Polls,
    split_poll,
    split_polls,
)
from softctl.modbus.requests import Reject, Request

__all__ = ["Action", "Close", "Connection", "Send", "Server", "UnknownUnit"]


Observer = Callable[[Client, bytes, Request | Reject | None, bytes | None], None]
"""(client, request frame, request, reply frame), when a frame has been dealt with.

The request is None where no device saw it, the reply None where there is none. The time is
`client.last_used_ns`. What a wire fault does to a reply is not seen, unless the request
was lost or refused by it.
"""


PollObserver = Callable[[Client, bytes], None]
"""(client, request frames), when several polls that came at once were answered with data.

In the place of so many calls of an `Observer`, for what has no use for each reply.
"""


class UnknownUnit(Enum):
    """What a unit id that no device has is answered with."""

    EXCEPTION = "exception 0B"
    SILENCE = "silence"


class Server:
    """The devices behind one listening port.

    Args:
        devices: one device per unit id.
        unknown_unit: the answer to a unit id that none of them has.
        direct: the device that unit ids 0 and 255 mean as well, unless a device has that
            id (Messaging on TCP/IP Implementation Guide V1.0b, section 4.4.2); the only
            device if there is one, otherwise none.
        policy: who may connect.
        faults: what goes wrong on the wire on purpose.
        on_request: told of every frame; costs nothing while it is None.

    Raises:
        ValueError: no device, or two with the same unit id.
    """

    def __init__(
        self,
        devices: Iterable[Device],
        *,
        unknown_unit: UnknownUnit = UnknownUnit.EXCEPTION,
        direct: Device | None = None,
        policy: Policy | None = None,
        faults: Faults | None = None,
        on_request: Observer | None = None,
    ) -> None:
        self.devices: dict[int, Device] = {}
        for device in devices:
            if device.unit in self.devices:
                raise ValueError(f"expected one device per unit id, got two with {device.unit}")
            self.devices[device.unit] = device
        if not self.devices:
            raise ValueError("expected at least one device, got none")
        if direct is None and len(self.devices) == 1:
            (direct,) = self.devices.values()
        self.unknown_unit = unknown_unit
        self.pool = Pool(policy or Policy())
        self.faults = faults
        self.on_request = on_request
        self.on_polls: PollObserver | None = None
        self._polls = Polls(MAX_SHARED_POLLS)
        self._by_unit = dict(self.devices)
        if direct is not None:
            self._by_unit = {0: direct, 255: direct, **self.devices}

    def admit(self, client: Client, now_ns: int) -> tuple[bool, Client | None]:
        """Whether a new connection may stay, and which other client has to go for it."""
        if self.faults is not None and self.faults.denies(client, now_ns):
            return False, None
        return self.pool.admit(client, now_ns)

    def connect(self, client: Client) -> Connection:
        """Begin a connection."""
        return Connection(self, client)

    def bank(self, unit: int) -> Bank | None:
        """The bank of the device that a unit id means, None for none."""
        device = self._by_unit.get(unit)
        return None if device is None else device.bank

    def polls(self) -> Polls:
        """The polls of a new connection: everybody's, or its own where clients differ."""
        if any(device.permit is not None for device in self.devices.values()):
            return Polls(MAX_CLIENT_POLLS)
        return self._polls

    def answer(self, frame: Frame, client: Client, raw: bytes | None = None) -> bytes | None:
        """Do what the frame asks; the reply frame, or None when it is discarded.

        `raw` is the frame as it came, where that is at hand.
        """
        _, protocol, unit, pdu = frame
        device = self._by_unit.get(unit)
        request: Request | Reject | None = None
        if protocol:
            self._discard(frame, client)
            return None
        if client.is_read_only and pdu[0] in CHANGING_FUNCTIONS:
            reply = encode_exception(pdu[0], ExceptionCode.ILLEGAL_FUNCTION)
        elif device is not None:
            request = decode_request(pdu, device.functions)
            reply = device.perform(request, client)
        elif self.unknown_unit is UnknownUnit.SILENCE:
            self._discard(frame, client)
            return None
        else:
            reply = encode_exception(pdu[0], ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND)
        return self.conclude(frame, client, request, reply, raw)

    def conclude(
        self,
        frame: Frame,
        client: Client,
        request: Request | Reject | None,
        reply: bytes,
        raw: bytes | None = None,
    ) -> bytes | None:
        """Count a request with its reply PDU, empty for none, and return the reply frame."""
        client.requests += 1
        if not reply:
            self._discard(frame, client, request)
            return None
        if reply[0] & ERROR_BIT:
            client.note_exception(reply[1])
        whole = encode_frame(frame.transaction, frame.unit, reply)
        if self.on_request is not None:
            self.on_request(client, raw or whole_frame(frame), request, whole)
        return whole

    def learn(self, polls: Polls, frame: Frame, reply: bytes) -> None:
        """Remember what was answered if it is a poll of a device that keeps no diary."""
        device = self._by_unit.get(frame.unit)
        if device is not None and device.diagnostics is None:
            polls.learn(frame, device.bank, reply)

    def _discard(
        self, frame: Frame, client: Client, request: Request | Reject | None = None
    ) -> None:
        client.discarded += 1
        if self.on_request is not None:
            self.on_request(client, whole_frame(frame), request, None)


class Connection:
    """One client's stream."""

    __slots__ = ("_polls", "_server", "_splitter", "client")

    def __init__(self, server: Server, client: Client) -> None:
        self._server = server
        self._splitter = FrameSplitter()
        self._polls = server.polls()
        self.client = client

    @property
    def pending(self) -> int:
        """The number of bytes of a request that has begun and not ended."""
        return self._splitter.pending

    def receive(self, data: bytes, now_ns: int) -> list[Action]:
        """Take received bytes and return what to do, in order.

        When the framing is lost nothing after it can be trusted, so the connection is
        closed after the answers to all that was whole.
        """
        replies = self.answer_polls(memoryview(data), len(data), now_ns)
        return self.receive_any(data, now_ns) if replies is None else [Send(now_ns, replies)]

    def answer_polls(self, buffer: memoryview, size: int, now_ns: int) -> bytes | None:
        """The replies, if `size` bytes hold nothing but reads that were answered before.

        This is the short way for nearly all that a server is ever asked. None means that
        nothing was done and `receive_any` is to have the data.
        """
        if size % POLL_BYTES or self._splitter.is_open or not size:
            return None
        server = self._server
        if server.faults is not None and server.faults.rules:
            return None
        if size > POLL_BYTES:
            return self._answer_many(buffer[:size], now_ns)
        transaction, read = split_poll(buffer)
        poll = self._polls.get(read)
        if poll is None:
            return None
        head, memory, start, stop, pack, request = poll
        values = memory[start:stop]
        reply = transaction + head + (values if pack is None else pack(values))
        client = self.client
        client.requests += 1
        client.last_used_ns = now_ns
        if server.on_request is not None:
            server.on_request(client, transaction + read, request, reply)
        return reply

    def _answer_many(self, data: memoryview, now_ns: int) -> bytes | None:
        """The same for several at once: all of them or none."""
        get, replies = self._polls.get, []
        for transaction, read in split_polls(data):
            poll = get(read)
            if poll is None:
                return None
            head, memory, start, stop, pack, _ = poll
            values = memory[start:stop]
            replies.append(transaction + head + (values if pack is None else pack(values)))
        client, on_request = self.client, self._server.on_request
        client.requests += len(replies)
        client.last_used_ns = now_ns
        if self._server.on_polls is not None:
            self._server.on_polls(client, bytes(data))
        elif on_request is not None:
            for (transaction, read), reply in zip(split_polls(data), replies, strict=True):
                on_request(client, transaction + read, self._polls.known[read].request, reply)
        return b"".join(replies)

    def receive_any(self, data: bytes, now_ns: int) -> list[Action]:
        """The long way of `receive`, which knows every frame, every fault and every error."""
        server, client, splitter = self._server, self.client, self._splitter
        is_fresh = not splitter.is_open
        frames = splitter.feed(data)
        if frames:
            client.last_used_ns = now_ns
        if server.faults is not None and server.faults.rules:
            return self._receive_faulty(frames, now_ns, server.faults)
        replies: list[bytes] = []
        raw = data if is_fresh and len(frames) == 1 and not splitter.is_open else None
        for frame in frames:
            reply = server.answer(frame, client, raw)
            if reply is not None:
                replies.append(reply)
                if frame.pdu[0] in READ_CODES:
                    server.learn(self._polls, frame, reply)
        actions: list[Action] = [Send(now_ns, b"".join(replies))] if replies else []
        if self._splitter.error is not None:
            actions.append(Close(now_ns))
        return actions

    def _receive_faulty(self, frames: list[Frame], now_ns: int, faults: Faults) -> list[Action]:
        """One by one: each reply may have its own fate, and none overtakes another."""
        actions: list[Action] = []
        for frame in frames:
            actions += faults.respond(frame, self.client, now_ns, self._server)
        if self._splitter.error is not None:
            actions.append(Close(now_ns))
        return actions
