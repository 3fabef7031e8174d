"""Plays a recorded session again, as the clients that it is of, and compares the replies.

A request goes out at its time, but not before what its connection asked earlier has been
answered: the recorded client had its answers too. What may change something waits for all
that was asked before by any connection, and what was asked later waits for it, so that each
reads what it read then. Requests that came in one instant go out in one piece, as they came.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, field

from softctl.errors import SoftctlError
from softctl.modbus.frames import FrameSplitter, whole_frame
from softctl.recording import (
    Closed,
    Difference,
    Event,
    Exchange,
    Opened,
    Session,
    changing,
    compare,
)
from softctl.recording.session import bursts

_RECEIVE_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class Target:
    """Where to play, how fast, how long to wait for a reply, and what to compare."""

    host: str
    port: int
    speed: float = 1.0
    timeout_s: float = 1.0
    shape: bool = False


@dataclass(slots=True)
class Played:
    """What came of it; `behind_s` is how late the latest request went out."""

    requests: int = 0
    clients: int = 0
    behind_s: float = 0.0
    differences: list[Difference] = field(default_factory=list)


async def replay(session: Session, target: Target) -> Played:
    """Play a whole session; raises SoftctlError if nobody answers at the target."""
    await _require_server(target)
    lines = _plan(session)
    played = Played(clients=len(lines))
    started_s = asyncio.get_running_loop().time()
    await asyncio.gather(
        *(_Player(client, target, started_s, played).play(steps) for client, steps in lines.items())
    )
    played.differences.sort(key=lambda one: (one.at_ns, one.client))
    return played


async def _require_server(target: Target) -> None:
    try:
        async with asyncio.timeout(max(target.timeout_s, 1.0)):
            _, writer = await asyncio.open_connection(target.host, target.port)
    except (OSError, TimeoutError) as error:
        reason = getattr(error, "strerror", None) or str(error) or "no answer"
        raise SoftctlError(
            f"expected a server at {target.host}:{target.port}, got: {reason}"
        ) from None
    await _close(writer)


@dataclass(slots=True, eq=False)
class _Step:
    """What one connection does in one instant, and which other steps have to be done first."""

    burst: list[Event]
    after: list[_Step] = field(default_factory=list)
    done: asyncio.Event = field(default_factory=asyncio.Event)


def _plan(session: Session) -> dict[int, list[_Step]]:
    """The steps of each connection; every one waits for earlier ones only."""
    lines: dict[int, list[Event]] = {}
    for event in session.events:
        lines.setdefault(event.client, []).append(event)
    plan = {client: [_Step(burst) for burst in bursts(own)] for client, own in lines.items()}
    place = {id(event): index for index, event in enumerate(session.events)}
    asking = [s for own in plan.values() for s in own if isinstance(s.burst[0], Exchange)]
    asking.sort(key=lambda step: place[id(step.burst[0])])
    change: list[_Step] = []
    since: list[_Step] = []
    for step in asking:
        if changing(event for event in step.burst if isinstance(event, Exchange)):
            step.after = change + since
            change, since = [step], []
        else:
            step.after = change
            since.append(step)
    return plan


@dataclass(slots=True, eq=False)
class _Waiting:
    """A request that was sent, and the reply that it gets."""

    exchange: Exchange
    reply: asyncio.Future[bytes | None]


class _Player:
    """One recorded client."""

    def __init__(self, client: int, target: Target, started_s: float, played: Played) -> None:
        self._client = client
        self._target = target
        self._started_s = started_s
        self._played = played
        self._waiting: list[_Waiting] = []
        self._writer: asyncio.StreamWriter | None = None
        self._listener: asyncio.Task[None] | None = None
        self._now_ns = 0

    async def play(self, steps: Sequence[_Step]) -> None:
        """Do everything that the client did."""
        try:
            for step in steps:
                await self._until(step)
                await self._do(step.burst)
                step.done.set()
        finally:
            await self._hang_up()

    async def _until(self, step: _Step) -> None:
        loop = asyncio.get_running_loop()
        self._now_ns = step.burst[0].at_ns
        due_s = self._started_s + self._now_ns / 1e9 / self._target.speed
        await asyncio.sleep(max(0.0, due_s - loop.time()))
        for earlier in step.after:
            await earlier.done.wait()
        self._played.behind_s = max(self._played.behind_s, loop.time() - due_s)

    async def _do(self, burst: Sequence[Event]) -> None:
        if isinstance(burst[0], Opened):
            await self._connect()
        elif isinstance(burst[0], Closed):
            await self._hang_up()
        else:
            await self._ask([event for event in burst if isinstance(event, Exchange)])

    async def _connect(self) -> None:
        """A connection that fails shows in the replies that are missing."""
        await self._hang_up()
        with contextlib.suppress(OSError, TimeoutError):
            async with asyncio.timeout(self._target.timeout_s):
                reader, self._writer = await asyncio.open_connection(
                    self._target.host, self._target.port
                )
                self._listener = asyncio.create_task(self._listen(reader))

    async def _ask(self, exchanges: Sequence[Exchange]) -> None:
        """Send requests in one piece, and judge what comes until the time is over."""
        if self._listener is None or self._listener.done():
            await self._connect()
        loop = asyncio.get_running_loop()
        asked = [_Waiting(exchange, loop.create_future()) for exchange in exchanges]
        self._played.requests += len(asked)
        if self._writer is None:
            self._judge(asked, "not connected")
            return
        self._waiting += asked
        self._writer.write(b"".join(exchange.request for exchange in exchanges))
        await asyncio.wait([one.reply for one in asked], timeout=self._target.timeout_s)
        note = "connection closed" if self._listener and self._listener.done() else ""
        self._judge(asked, note)

    def _judge(self, asked: Sequence[_Waiting], note: str) -> None:
        for one in asked:
            reply = one.reply.result() if one.reply.done() else None
            what = compare(one.exchange, reply, shape=self._target.shape)
            if what:
                exchange = one.exchange
                told = f"{what}, {note}" if note and reply is None else what
                self._played.differences.append(
                    Difference(exchange.at_ns, exchange.client, exchange, reply, told)
                )
            if one in self._waiting:
                self._waiting.remove(one)

    async def _listen(self, reader: asyncio.StreamReader) -> None:
        """Take replies until the connection ends; what still waits then gets none."""
        splitter = FrameSplitter()
        with contextlib.suppress(OSError):
            while splitter.error is None and (data := await reader.read(_RECEIVE_BYTES)):
                for frame in splitter.feed(data):
                    self._take(whole_frame(frame))
        for one in self._waiting:
            if not one.reply.done():
                one.reply.set_result(None)

    def _take(self, reply: bytes) -> None:
        """Give a reply to the request with its transaction id, else to the oldest one."""
        open_ = [one for one in self._waiting if not one.reply.done()]
        own = [one for one in open_ if one.exchange.request[:2] == reply[:2]]
        if open_:
            (own or open_)[0].reply.set_result(reply)
        else:
            self._played.differences.append(
                Difference(self._now_ns, self._client, None, reply, "a reply that nobody waits for")
            )

    async def _hang_up(self) -> None:
        if self._listener is not None:
            self._listener.cancel()
            await asyncio.gather(self._listener, return_exceptions=True)
            self._listener = None
        if self._writer is not None:
            await _close(self._writer)
            self._writer = None


async def _close(writer: asyncio.StreamWriter) -> None:
    writer.close()
    with contextlib.suppress(OSError):
        await writer.wait_closed()
