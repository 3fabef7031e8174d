"""What a server does with received bytes: things to send, each at its time.

The shell owns sockets and clocks; here `(bytes, now_ns)` become actions. A delay is a
later time, silence is no action. Nothing about one request is kept on the connection, so
pipelined requests cannot disturb each other.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum

from softctl.modbus.actions import Action, Close, Send
from softctl.modbus.bank import Bank
from softctl.modbus.clients import Client, Policy, Pool
from softctl.modbus.codes import ERROR_BIT, ExceptionCode, encode_exception
from softctl.modbus.device import Device
from softctl.modbus.faults import Faults
from softctl.modbus.frames import Frame, FrameSplitter, encode_frame
from softctl.modbus.functions import CHANGING_FUNCTIONS, decode_request

__all__ = ["Action", "Close", "Connection", "Send", "Server", "UnknownUnit"]


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

    def answer(self, frame: Frame, client: Client) -> bytes | None:
        """The reply frame, or None when the frame is discarded."""
        transaction, protocol, unit, pdu = frame
        if protocol:
            client.discarded += 1
            return None
        device = self._by_unit.get(unit)
        if client.is_read_only and pdu[0] in CHANGING_FUNCTIONS:
            reply = encode_exception(pdu[0], ExceptionCode.ILLEGAL_FUNCTION)
        elif device is not None:
            reply = device.perform(decode_request(pdu, device.functions), client)
        elif self.unknown_unit is UnknownUnit.SILENCE:
            client.discarded += 1
            return None
        else:
            code = ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
            reply = encode_exception(pdu[0], code)
        client.requests += 1
        if not reply:
            client.discarded += 1
            return None
        if reply[0] & ERROR_BIT:
            client.note_exception(reply[1])
        return encode_frame(transaction, unit, reply)


class Connection:
    """One client's stream."""

    __slots__ = ("_server", "_splitter", "client")

    def __init__(self, server: Server, client: Client) -> None:
        self._server = server
        self._splitter = FrameSplitter()
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
        answer, client = self._server.answer, self.client
        replies: list[bytes] = []
        frames = self._splitter.feed(data)
        if frames:
            client.last_used_ns = now_ns
        if self._server.faults is not None and self._server.faults.rules:
            return self._receive_faulty(frames, now_ns, self._server.faults)
        for frame in frames:
            reply = answer(frame, client)
            if reply is not None:
                replies.append(reply)
        actions: list[Action] = []
        if replies:
            actions.append(Send(now_ns, replies[0] if len(replies) == 1 else b"".join(replies)))
        if self._splitter.error is not None:
            actions.append(Close(now_ns))
        return actions

    def _receive_faulty(self, frames: list[Frame], now_ns: int, faults: Faults) -> list[Action]:
        """One by one: each reply may have its own fate, and none overtakes another."""
        actions: list[Action] = []
        for frame in frames:
            bank = self._server.bank(frame.unit)
            actions += faults.respond(frame, self.client, now_ns, self._server.answer, bank)
        if self._splitter.error is not None:
            actions.append(Close(now_ns))
        return actions
