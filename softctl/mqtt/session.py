"""The face that both kinds of sessions show to the owner of a connection.

The owner's rules:
1. `connect` before each CONNECT: it gives the will. `opened` once the broker has accepted
   and the subscriptions are made, `closed` when the connection has ended, however it did.
2. While open, `next` until it is None, in that order on the wire; whatever was not handed
   over for certain is given back with `failed`, the last first.
3. `farewell` before an intended end, then DISCONNECT. The same when `wants_to_leave`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

from softctl.mqtt.events import Event
from softctl.mqtt.requests import Request
from softctl.mqtt.snapshot import Snapshot


@dataclass(frozen=True, slots=True)
class Message:
    """One message to publish.

    `correlation` is MQTT 5's, for an answer. `load` is what it carries, for its session to
    take back.
    """

    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False
    correlation: bytes | None = None
    load: object = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Incoming:
    """One message that came; `response_topic` and `correlation` are MQTT 5's."""

    topic: str
    payload: bytes
    retain: bool = False
    response_topic: str = ""
    correlation: bytes | None = None


@dataclass(slots=True)
class Counters:
    """What became of values and events; a value is dropped when a newer one overtakes it
    unsent, or when there is no more room for it."""

    sent: int = 0
    dropped_values: int = 0
    dropped_events: int = 0
    refused_requests: int = 0
    connections: int = 0


class Session(Protocol):
    """What is published in one way over one connection."""

    payload: str
    """In which form, for messages."""

    counters: Counters

    @property
    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """Topic filters with their QoS, to subscribe to before `opened`."""

    @property
    def wants_to_leave(self) -> bool:
        """True when the connection is to be ended, after `farewell`, and made anew."""

    @property
    def waiting(self) -> int:
        """Values and events that wait to be sent."""

    def connect(self, now_ms: int) -> Message:
        """A connection is about to be made: its will."""

    def opened(self, now_ms: int) -> None:
        """It stands."""

    def closed(self, now_ms: int) -> None:
        """It has ended."""

    def next(self, now_ms: int) -> Message | None:
        """What is to be sent now."""

    def failed(self, message: Message) -> None:
        """It was not sent, or nobody knows."""

    def farewell(self, now_ms: int) -> Sequence[Message]:
        """What is to be sent before an intended end."""

    def observe(self, snapshot: Snapshot) -> None:
        """Values of all points at an instant."""

    def report(self, now_ms: int) -> None:
        """It is time for the figures."""

    def happen(self, event: Event) -> None:
        """Something happened."""

    def receive(self, incoming: Incoming, now_ms: int) -> Request | None:
        """A message came; a request is to be carried out and then answered."""

    def answer(self, request: Request, refusal: str, now_ms: int) -> None:
        """What became of a request: "" when it was done, else why not."""
