"""One connection to a broker for one session; the only module that imports aiomqtt.

aiomqtt connects in a thread and moves bytes in the event loop. At most a small batch of
messages is handed to it at a time, and the next one only when that is on the wire (QoS 0)
or acknowledged (QoS 1): so nothing piles up in it however slow the broker is, whoever
shares the loop gets a turn between two batches, and what a broken connection may have lost
is known.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import secrets
import ssl
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from random import Random
from typing import Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from softctl.errors import SoftctlError
from softctl.machine import MqttVersion
from softctl.mqtt import Incoming, Message, Request, Session
from softctl.runtime.events import EventSink, ignore
from softctl.runtime.mqtt_settings import Access
from softctl.runtime.tasks import end_task
from softctl.runtime.tls_errors import explain_tls_error

Write = Callable[[Request], Awaitable[None]]
"""Carries a request out; raises SoftctlError with why not."""

_BATCH = 16
_BATCH_BYTES = 2_048
_LONGEST_REST_S = 0.005
"""After a batch as long a rest as it took, so that half of a processor stays for scans."""
_KEEP_ALIVE_S = 15
_FAREWELL_S = 2.0
_END_S = 6.0
"""Longer than the MQTT library tries to connect, which is 5 s."""

_SHARE_OF_CHANCE = 0.2
"""So that many bridges do not all come back at once."""


class _LastWords(logging.Handler):
    """What the MQTT library logged last as an error.

    Every failure is told as an event, so nobody else need hear of it. But a connection that
    a broker ends before it has answered shows as a time-out only, and why stands in the log.
    """

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.text = ""

    def emit(self, record: logging.LogRecord) -> None:
        self.text = record.getMessage()


@dataclass(frozen=True, slots=True)
class Patience:
    """How long a broker may take to connect, for an acknowledgement or to take a batch, and
    how long to wait before each attempt to connect again."""

    answer_s: float = 10.0
    retry_s: tuple[float, ...] = (0.5, 1.0, 2.0, 5.0, 10.0, 30.0)


class MqttConnection:
    """Keeps a session on a broker: connects, sends, receives, and connects again.

    `wake` is to be called when the session may have something to say.
    """

    def __init__(
        self,
        session: Session,
        access: Access,
        write: Write | None = None,
        sink: EventSink = ignore,
        patience: Patience = Patience(),
    ) -> None:
        self.session = session
        self._access = access
        self._write = write
        self._sink = sink
        self._patience = patience
        self._chance = Random()
        self._something = asyncio.Event()
        self._is_closing = asyncio.Event()
        self._said = ""
        # Not every broker keeps apart clients that leave their id to it. 19 letters and
        # digits are what every broker has to take (MQTT 3.1.1, 3.1.3.1).
        self._client_id = access.broker.client_id or f"softctl{secrets.token_hex(6)}"
        self._last_words = _LastWords()
        self._logger = logging.Logger("softctl.mqtt")
        self._logger.addHandler(self._last_words)
        self._task: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Begin; connecting is done aside."""
        self._task = asyncio.create_task(self._run())

    async def wait(self) -> None:
        """Return only when closed, or with the error of a defect."""
        assert self._task is not None
        await asyncio.shield(self._task)

    def wake(self) -> None:
        """There may be something to send."""
        self._something.set()

    async def close(self) -> None:
        """Say farewell and end; a broker that does not take it is left after a while."""
        self._is_closing.set()
        self._something.set()
        if self._task is None:
            return
        # A thread that is still connecting cannot be called off, so its end is awaited.
        await asyncio.wait([self._task], timeout=_END_S)
        await end_task(self._task)

    async def _run(self) -> None:
        attempt = 0
        while not self._is_closing.is_set():
            connections = self.session.counters.connections
            try:
                await self._serve()
            except Exception as error:
                # Whatever it is: nobody would start again a bridge that ends by itself.
                self._complain(error)
            if self.session.counters.connections > connections:
                attempt = 0
            delays_s = self._patience.retry_s
            delay_s = delays_s[min(attempt, len(delays_s) - 1)]
            attempt += 1
            delay_s *= 1 + _SHARE_OF_CHANCE * self._chance.random()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._is_closing.wait(), delay_s)

    async def _serve(self) -> None:
        """One connection, from the CONNECT to its end."""
        session = self.session
        client = self._client(session.connect(_now_ms()))
        async with client:
            await self._subscribe(client)
            session.opened(_now_ms())
            self._said = ""
            self._tell("mqtt broker connected")
            try:
                await _first_end(self._send(client), self._receive(client))
            finally:
                session.closed(_now_ms())
        self._tell("mqtt broker left")

    def _client(self, will: Message) -> aiomqtt.Client:
        broker = self._access.broker
        is_5 = broker.version is MqttVersion.V5
        clean: dict[str, Any] = {"clean_start": True} if is_5 else {"clean_session": True}
        client = aiomqtt.Client(
            broker.host,
            broker.port,
            username=broker.user or None,
            password=self._access.password,
            logger=self._logger,
            identifier=self._client_id,
            protocol=aiomqtt.ProtocolVersion.V5 if is_5 else aiomqtt.ProtocolVersion.V311,
            will=aiomqtt.Will(will.topic, will.payload, will.qos, will.retain),
            timeout=self._patience.answer_s,
            keepalive=_KEEP_ALIVE_S,
            max_queued_incoming_messages=1_000,
            tls_context=self._access.tls,
            **clean,
        )
        client.pending_calls_threshold = 2 * _BATCH
        return client

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        """With MQTT 5, retained messages are told as such (a request must not be one)."""
        for topic, qos in self.session.subscriptions:
            if self._access.broker.version is MqttVersion.V5:
                options = SubscribeOptions(qos=qos, retainAsPublished=True)
                await client.subscribe(topic, options=options)
            else:
                await client.subscribe(topic, qos)

    # Sending

    async def _send(self, client: aiomqtt.Client) -> None:
        """Until it is time to leave."""
        while not self._is_closing.is_set() and not self.session.wants_to_leave:
            self._something.clear()
            batch = self._batch()
            if batch:
                began_s = time.monotonic()
                await self._publish(client, batch)
                took_s = time.monotonic() - began_s
                await asyncio.sleep(min(took_s, _LONGEST_REST_S))
            else:
                await self._something.wait()
        async with asyncio.timeout(_FAREWELL_S):
            for message in self.session.farewell(_now_ms()):
                await self._publish_one(client, message)

    def _batch(self) -> list[Message]:
        """A few small messages, or one large one."""
        now_ms, size = _now_ms(), 0
        batch: list[Message] = []
        while len(batch) < _BATCH and size < _BATCH_BYTES:
            message = self.session.next(now_ms)
            if message is None:
                break
            batch.append(message)
            size += len(message.payload)
        return batch

    async def _publish(self, client: aiomqtt.Client, batch: list[Message]) -> None:
        """Hand a batch over, in order; gives back to the session what did not arrive."""
        tasks = [asyncio.create_task(self._publish_one(client, message)) for message in batch]
        try:
            await asyncio.wait(tasks, timeout=self._patience.answer_s)
        finally:
            for message, task in reversed(list(zip(batch, tasks, strict=True))):
                if not task.cancel() and not task.cancelled() and task.exception() is None:
                    continue
                self.session.failed(message)
        for task in tasks:
            if not task.done():
                raise aiomqtt.MqttError("no answer in time")
            task.result()

    async def _publish_one(self, client: aiomqtt.Client, message: Message) -> None:
        properties = None
        if message.correlation is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.CorrelationData = message.correlation
        await client.publish(
            message.topic,
            message.payload,
            message.qos,
            message.retain,
            properties,
            timeout=math.inf,  # a time limit for each would be a task for each
        )

    # Receiving

    async def _receive(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            payload = message.payload
            data = payload if isinstance(payload, bytes) else str(payload).encode()
            properties = message.properties
            incoming = Incoming(
                message.topic.value,
                data,
                bool(message.retain),
                getattr(properties, "ResponseTopic", ""),
                getattr(properties, "CorrelationData", None),
            )
            await self._take(incoming)

    async def _take(self, incoming: Incoming) -> None:
        session = self.session
        refused = session.counters.refused_requests
        request = session.receive(incoming, _now_ms())
        if request is not None:
            session.answer(request, await self._carry_out(request), _now_ms())
        if session.counters.refused_requests > refused:
            self._sink("mqtt request refused", topic=incoming.topic)
        self._something.set()

    async def _carry_out(self, request: Request) -> str:
        """Why a request was not carried out, or ""."""
        if self._write is None:
            return "nothing may be written from MQTT"
        try:
            await self._write(request)
        except SoftctlError as error:
            return str(error)
        return ""

    def _complain(self, error: Exception) -> None:
        """Say why there is no connection, and the same thing once until there was one."""
        cause = error.__context__  # aiomqtt keeps only the text of what it translates
        reason = str(error) or type(error).__name__
        if isinstance(cause, ssl.SSLError):
            reason = explain_tls_error(cause)
        elif self._last_words.text:
            reason = self._last_words.text
        self._last_words.text = ""
        if reason != self._said:
            self._said = reason
            self._tell("mqtt broker not reached", reason=reason)

    def _tell(self, event: str, **fields: object) -> None:
        self._sink(event, broker=self._access.where, payload=self.session.payload, **fields)


async def _first_end(*loops: Any) -> None:
    """Run all until one ends; the others are ended, and its error raised."""
    tasks = [asyncio.create_task(loop) for loop in loops]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        results = await asyncio.gather(*tasks, return_exceptions=True)
    for result in results:
        if isinstance(result, Exception):
            raise result


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
