"""What a wire fault does to a reply."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from random import Random
from typing import Protocol

from softctl.modbus.actions import Close
from softctl.modbus.bits import pack_bits, unpack_bits
from softctl.modbus.codes import ERROR_BIT, encode_exception
from softctl.modbus.fault_scope import Scope
from softctl.modbus.frames import HEADER_BYTES
from softctl.modbus.requests import ReadRequest, ReadWriteRequest, Reject, Request
from softctl.values.tables import Table


class Stage(IntEnum):
    """When an effect works."""

    ANSWER = 0
    DATA = 1
    HEADER = 2
    BYTES = 3
    TIME = 4
    END = 5


@dataclass(slots=True)
class Reply:
    """A reply under way: its frame, then its parts with their delays, then its end."""

    frame: bytes
    parts: list[tuple[int, bytes]] = field(default_factory=list)
    end: Close | None = None


@dataclass(frozen=True, slots=True)
class Strike:
    """What an effect may look at besides the reply."""

    request: Request | Reject
    scope: Scope
    random: Random
    frozen: dict[Table, bytes]


class Effect(Protocol):
    """What a rule does to a reply; effects are small frozen values with a title for people."""

    @property
    def title(self) -> str: ...

    @property
    def stage(self) -> Stage: ...

    def apply(self, reply: Reply, strike: Strike) -> None: ...


@dataclass(frozen=True, slots=True)
class Silence:
    """The request is lost: it is not done and gets no reply."""

    title = "silence"
    stage = Stage.ANSWER

    def apply(self, reply: Reply, strike: Strike) -> None:
        reply.frame = b""


@dataclass(frozen=True, slots=True)
class Refuse:
    """The request is not done and gets an exception code."""

    code: int
    title = "exception"
    stage = Stage.ANSWER

    def apply(self, reply: Reply, strike: Strike) -> None:
        header = reply.frame[:HEADER_BYTES]
        pdu = encode_exception(reply.frame[HEADER_BYTES] & ~ERROR_BIT, self.code)
        reply.frame = header[:4] + b"\x00\x03" + header[6:] + pdu


@dataclass(frozen=True, slots=True)
class Freeze:
    """Reads of the scope's addresses show what they held when the rule became active.

    With one address it is a heartbeat that stands still, with all it is a stale bank.
    """

    title = "stale"
    stage = Stage.DATA

    def apply(self, reply: Reply, strike: Strike) -> None:
        request = strike.request
        if isinstance(request, ReadRequest):
            table = request.table
        elif isinstance(request, ReadWriteRequest):
            table = Table.HOLDING_REGISTERS
        else:
            return
        if strike.scope.table not in (None, table) or _is_exception(reply):
            return
        first = max(strike.scope.first, request.address)
        last = min(strike.scope.last + 1, request.address + request.quantity)
        if first < last:
            _overlay(reply, strike.frozen[table], request, table, first, last)


def _overlay(
    reply: Reply,
    frozen: bytes,
    request: ReadRequest | ReadWriteRequest,
    table: Table,
    first: int,
    last: int,
) -> None:
    start = HEADER_BYTES + 2
    width = 1 if table.is_bits else 2
    data = bytearray(reply.frame[start:])
    if table.is_bits:
        data = bytearray(unpack_bits(bytes(data), request.quantity))
    begin = width * (first - request.address)
    data[begin : begin + width * (last - first)] = frozen[width * first : width * last]
    reply.frame = reply.frame[:start] + (pack_bits(data) if table.is_bits else bytes(data))


@dataclass(frozen=True, slots=True)
class SwapWords:
    """Registers are read in the wrong order, two by two, counted from the scope's first.

    A pair that is not read whole, or leaves the scope, stays as it is.
    """

    title = "swap words"
    stage = Stage.DATA

    def apply(self, reply: Reply, strike: Strike) -> None:
        request = strike.request
        is_words = isinstance(request, ReadWriteRequest) or (
            isinstance(request, ReadRequest) and not request.table.is_bits
        )
        if not is_words or _is_exception(reply):
            return
        assert isinstance(request, ReadRequest | ReadWriteRequest)
        data = bytearray(reply.frame)
        first = max(strike.scope.first, request.address)
        first += (first - strike.scope.first) % 2
        last = min(strike.scope.last + 1, request.address + request.quantity)
        for address in range(first, last - 1, 2):
            at = HEADER_BYTES + 2 + 2 * (address - request.address)
            data[at : at + 4] = data[at + 2 : at + 4] + data[at : at + 2]
        reply.frame = bytes(data)


def _is_exception(reply: Reply) -> bool:
    return len(reply.frame) <= HEADER_BYTES or bool(reply.frame[HEADER_BYTES] & ERROR_BIT)


@dataclass(frozen=True, slots=True)
class WrongTransaction:
    """The reply bears another transaction id."""

    offset: int = 1
    title = "wrong transaction"
    stage = Stage.HEADER

    def apply(self, reply: Reply, strike: Strike) -> None:
        reply.frame = _shift(reply.frame, 0, 2, self.offset)


@dataclass(frozen=True, slots=True)
class WrongUnit:
    """The reply bears another unit id."""

    offset: int = 1
    title = "wrong unit"
    stage = Stage.HEADER

    def apply(self, reply: Reply, strike: Strike) -> None:
        reply.frame = _shift(reply.frame, 6, 7, self.offset)


@dataclass(frozen=True, slots=True)
class WrongLength:
    """The reply's length field is wrong by `offset`."""

    offset: int = 1
    title = "wrong length"
    stage = Stage.HEADER

    def apply(self, reply: Reply, strike: Strike) -> None:
        reply.frame = _shift(reply.frame, 4, 6, self.offset)


def _shift(frame: bytes, start: int, end: int, offset: int) -> bytes:
    size = end - start
    value = (int.from_bytes(frame[start:end], "big") + offset) % (1 << 8 * size)
    return frame[:start] + value.to_bytes(size, "big") + frame[end:]


@dataclass(frozen=True, slots=True)
class Truncate:
    """Only the first `keep` bytes are sent; the rest never comes."""

    keep: int
    title = "truncate"
    stage = Stage.BYTES

    def apply(self, reply: Reply, strike: Strike) -> None:
        reply.parts = _first_bytes(reply.parts, self.keep)


@dataclass(frozen=True, slots=True)
class Split:
    """The frame comes in pieces of `size` bytes, `gap_ns` apart.

    One byte at a time is a slow line: 10 ms apart is 100 bytes a second.
    """

    size: int = 1
    gap_ns: int = 0
    title = "split"
    stage = Stage.BYTES

    def __post_init__(self) -> None:
        if self.size < 1 or self.gap_ns < 0:
            raise ValueError(f"expected pieces of 1 byte or more, got {self.size}")

    def apply(self, reply: Reply, strike: Strike) -> None:
        data = b"".join(part for _, part in reply.parts)
        reply.parts = [
            (index * self.gap_ns, data[start : start + self.size])
            for index, start in enumerate(range(0, len(data), self.size))
        ]


@dataclass(frozen=True, slots=True)
class Delay:
    """The reply comes later, by a fixed time and a random one of at most `random_ns`."""

    fixed_ns: int
    random_ns: int = 0
    title = "delay"
    stage = Stage.TIME

    def __post_init__(self) -> None:
        if self.fixed_ns < 0 or self.random_ns < 0:
            raise ValueError("expected delays of 0 or more")

    def apply(self, reply: Reply, strike: Strike) -> None:
        late_ns = self.fixed_ns + strike.random.randint(0, self.random_ns)
        reply.parts = [(delay_ns + late_ns, data) for delay_ns, data in reply.parts]


@dataclass(frozen=True, slots=True)
class Cut:
    """The connection is closed in an orderly way after `keep` bytes of the reply."""

    keep: int = 0
    title = "cut"
    stage = Stage.END

    def apply(self, reply: Reply, strike: Strike) -> None:
        _end(reply, self.keep, abort=False)


@dataclass(frozen=True, slots=True)
class Reset:
    """The connection is reset instead of a reply."""

    title = "reset"
    stage = Stage.END

    def apply(self, reply: Reply, strike: Strike) -> None:
        _end(reply, 0, abort=True)


def _end(reply: Reply, keep: int, *, abort: bool) -> None:
    end_ns = reply.parts[-1][0] if reply.parts else 0
    reply.parts = _first_bytes(reply.parts, keep)
    reply.end = Close(reply.parts[-1][0] if reply.parts else end_ns, abort)


def _first_bytes(parts: list[tuple[int, bytes]], keep: int) -> list[tuple[int, bytes]]:
    kept = []
    for delay_ns, data in parts:
        if keep > 0:
            kept.append((delay_ns, data[:keep]))
        keep -= len(data)
    return kept


@dataclass(frozen=True, slots=True)
class Deny:
    """New connections are turned away; only clients and times of the scope count."""

    title = "refuse connections"
    stage = Stage.END

    def apply(self, reply: Reply, strike: Strike) -> None:
        """Nothing: it strikes connections, not requests."""
