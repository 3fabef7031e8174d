"""An edge node with one device, as Sparkplug B 3.0 wants it, without a connection.

Rules, with the identifiers under which the specification's tests know them (from memory,
see the tests):
1. bdSeq starts at 0 and counts CONNECTs, 0 to 255; the will (NDEATH) and the NBIRTH of a
   connection have the same one.
2. NBIRTH has seq 0; every message after it, of node and device alike, the next one, and 0
   follows 255. NDEATH has none.
3. NBIRTH, then DBIRTH, then data. A rebirth stops data until both were sent anew.
4. A birth gives every metric its name and its alias; data messages the alias alone.
5. With a primary host, nothing is born before its STATE says that it is online. When it
   goes offline the node says NDEATH, leaves and connects anew.
6. What is noted while nothing may be sent is stored, and sent after the next births as
   historical, with the time at which it was.
7. There is room for `queue` values and events; beyond it the oldest value is dropped, and
   an event only where there is no value left to drop.
8. The device is dead (DDEATH) while the controller cannot be reached.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from itertools import repeat

from softctl.machine import Mqtt, SparkplugNames
from softctl.mqtt.catalogue import Catalogue
from softctl.mqtt.events import Event, to_json
from softctl.mqtt.requests import Permissions, RefusedError, Request
from softctl.mqtt.session import Counters, Incoming, Message
from softctl.mqtt.snapshot import Snapshot, Tracker
from softctl.mqtt.sparkplug_metrics import BD_SEQ, REBIRTH, Kept, Metrics
from softctl.mqtt.sparkplug_payload import DataType, Metric, Payload, decode, encode, signed
from softctl.mqtt.sparkplug_topics import Topics, read_state

_ROUND = 256
_MOST_METRICS = 100
"""In one data message: what is encoded in one go holds up whoever shares the thread."""


@dataclass(frozen=True, slots=True)
class _Load:
    """What a data message carries."""

    kept: tuple[Kept, ...]


class SparkplugSession:
    """See the module."""

    def __init__(self, catalogue: Catalogue, mqtt: Mqtt, names: SparkplugNames) -> None:
        self.payload = "Sparkplug"
        self.counters = Counters()
        self.topics = Topics(names)
        self._metrics = Metrics(catalogue)
        self._points = catalogue.all
        self._system_from = catalogue.system_from
        self._tracker = Tracker(self._points, mqtt.deadband)
        self._permissions = Permissions(catalogue.machine.points, mqtt.writes)
        self._limit = mqtt.queue
        self._values: deque[Kept] = deque()
        self._events: deque[Kept] = deque()
        self._latest: Snapshot | None = None
        self._is_good: dict[int, bool] = {}
        """Whether each metric was good when it was told last."""
        self._bd_seq = -1
        self._seq = 0
        self._is_open = False
        self._host_online = not names.primary_host
        self._host_at_ms = -1
        self._is_leaving = False
        self._is_born = False
        self._device_lives = False
        self._node_born_ms = self._device_born_ms = 0
        """What was noted before these is historical."""

    # The connection

    @property
    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """The node's commands, the device's if there may be any, and the primary host's state."""
        wanted = [self.topics.node("NCMD")]
        if self._permissions.is_any:
            wanted.append(self.topics.device("DCMD"))
        if self.topics.names.primary_host:
            wanted.append(self.topics.state)
        return [(topic, 1) for topic in wanted]

    @property
    def wants_to_leave(self) -> bool:
        """True once the primary host has gone offline."""
        return self._is_leaving

    @property
    def waiting(self) -> int:
        """Values and events that wait or are stored."""
        return len(self._values) + len(self._events)

    def connect(self, now_ms: int) -> Message:
        """The will of a new connection: NDEATH with the next bdSeq."""
        self._bd_seq = (self._bd_seq + 1) % _ROUND
        self._host_online = not self.topics.names.primary_host
        return self._death(now_ms)

    def opened(self, now_ms: int) -> None:
        """Births are due, once the primary host is online."""
        self._is_open = True
        self.counters.connections += 1

    def closed(self, now_ms: int) -> None:
        """All that waits is stored."""
        self._is_open = self._is_born = self._is_leaving = self._device_lives = False

    def farewell(self, now_ms: int) -> Sequence[Message]:
        """NDEATH, since a broker sends no will after a DISCONNECT."""
        return [self._death(now_ms)] if self._is_born else []

    # What goes out

    def observe(self, snapshot: Snapshot) -> None:
        """Note what is news; the device dies and comes back with the controller."""
        self._latest = snapshot
        news = [index for index in self._tracker.news(snapshot) if index < self._system_from]
        if snapshot.is_present:
            self._values.extend(self._keep(snapshot, news, snapshot.at_ms))
            self._make_room()

    def _keep(self, snapshot: Snapshot, indices: Sequence[int], at_ms: int) -> Iterator[Kept]:
        values = map(snapshot.values.__getitem__, indices)
        is_good = self._tracker.is_good
        good = repeat(True) if self._tracker.is_all_good else map(is_good, indices)
        return map(Kept, indices, repeat(at_ms), values, good)

    def report(self, now_ms: int) -> None:
        """The figures, the controller's and the bridge's."""
        snapshot = self._latest
        if snapshot is None or not self._is_born:
            return
        figures = range(self._system_from, len(self._points))
        self._values.extend(self._keep(snapshot, figures, now_ms))
        self._values.extend(self._own_figures(now_ms))
        self._make_room()

    def happen(self, event: Event) -> None:
        """Keep an event as a text of JSON."""
        text = to_json(event.body()).decode()
        self._events.append(Kept(self._metrics.events, event.at_ms, text, True))
        self._make_room()

    def next(self, now_ms: int) -> Message | None:
        """Births and deaths, then events, then values: the stored ones first."""
        if not self._is_open or self._is_leaving or not self._host_online:
            return None
        message = self._next_life(now_ms) or self._next_data(now_ms)
        self.counters.sent += message is not None
        return message

    def failed(self, message: Message) -> None:
        """Keep again what a message carried."""
        self.counters.sent -= 1
        if isinstance(message.load, _Load):
            for kept in reversed(message.load.kept):
                is_event = kept.number == self._metrics.events
                (self._events if is_event else self._values).appendleft(kept)

    def _make_room(self) -> None:
        for _ in range(self.waiting - self._limit):
            if self._values:
                self._values.popleft()
                self.counters.dropped_values += 1
            else:
                self._events.popleft()
                self.counters.dropped_events += 1

    def _next_life(self, now_ms: int) -> Message | None:
        """What makes node and device as alive on the broker as they are."""
        if not self._is_born:
            return self._node_birth(now_ms)
        is_present = self._latest is not None and self._latest.is_present
        if is_present is self._device_lives:
            return None
        self._device_lives = is_present
        if is_present:
            return self._device_birth(now_ms)
        return self._in_sequence(self.topics.device("DDEATH"), now_ms)

    def _next_data(self, now_ms: int) -> Message | None:
        if self._events:
            return self._data([self._events.popleft()], now_ms)
        if not self._values or not (self._device_lives or self._of_node(self._values[0])):
            return None
        batch = [self._values.popleft()]
        while self._values and len(batch) < _MOST_METRICS and self._go_together(batch[0]):
            batch.append(self._values.popleft())
        return self._data(batch, now_ms)

    def _go_together(self, first: Kept) -> bool:
        """Whether the next waiting value belongs into the message that begins with `first`."""
        following = self._values[0]
        return self._of_node(following) is self._of_node(first) and self._is_old(
            following
        ) is self._is_old(first)

    def _of_node(self, kept: Kept) -> bool:
        return self._metrics.plans[kept.number].is_node

    def _is_old(self, kept: Kept) -> bool:
        return kept.at_ms < (self._node_born_ms if self._of_node(kept) else self._device_born_ms)

    # Messages

    def _node_birth(self, now_ms: int) -> Message:
        self._seq = 0
        self._node_born_ms = now_ms
        self._is_born = True
        metrics = [
            Metric(DataType.INT64, self._bd_seq, BD_SEQ, at_ms=now_ms),
            Metric(DataType.BOOLEAN, False, REBIRTH, at_ms=now_ms),
        ]
        for number, plan in enumerate(self._metrics.plans):
            if plan.is_node:
                metrics.append(self._metrics.birth(self._now(number, now_ms)))
        return self._in_sequence(self.topics.node("NBIRTH"), now_ms, metrics)

    def _device_birth(self, now_ms: int) -> Message:
        self._device_born_ms = now_ms
        numbers = range(self._system_from)
        metrics = [self._metrics.birth(self._now(number, now_ms)) for number in numbers]
        return self._in_sequence(self.topics.device("DBIRTH"), now_ms, metrics)

    def _data(self, batch: Sequence[Kept], now_ms: int) -> Message:
        topic = self.topics.node if self._of_node(batch[0]) else self.topics.device
        kind = "NDATA" if self._of_node(batch[0]) else "DDATA"
        metrics = []
        for kept in batch:
            was_good = self._is_good.get(kept.number, True)
            is_old = self._is_old(kept)
            metrics.append(self._metrics.data(kept, was_good, is_historical=is_old))
            self._is_good[kept.number] = kept.is_good
        return self._in_sequence(topic(kind), now_ms, metrics, _Load(tuple(batch)))

    def _death(self, now_ms: int) -> Message:
        metric = Metric(DataType.INT64, self._bd_seq, BD_SEQ, at_ms=now_ms)
        return Message(self.topics.node("NDEATH"), encode(Payload(now_ms, (metric,))), qos=1)

    def _in_sequence(
        self, topic: str, now_ms: int, metrics: Sequence[Metric] = (), load: object = None
    ) -> Message:
        data = encode(Payload(now_ms, tuple(metrics), self._seq))
        self._seq = (self._seq + 1) % _ROUND
        return Message(topic, data, load=load)

    def _now(self, number: int, now_ms: int) -> Kept:
        """A metric's present value; null before the first snapshot, and for events."""
        snapshot = self._latest
        if number >= self._metrics.counters and number != self._metrics.events:
            return self._own_figures(now_ms)[number - self._metrics.counters]
        if snapshot is None or number == self._metrics.events:
            return Kept(number, now_ms, None, True)
        is_good = self._tracker.is_good(number)
        self._is_good[number] = is_good
        return Kept(number, now_ms, snapshot.values[number], is_good)

    def _own_figures(self, now_ms: int) -> list[Kept]:
        start = self._metrics.counters
        names = [field.name for field in fields(Counters)]
        return [
            Kept(number, now_ms, getattr(self.counters, name), True)
            for number, name in enumerate(names, start)
        ]

    # What comes in

    def receive(self, incoming: Incoming, now_ms: int) -> Request | None:
        """A state of the primary host, a rebirth, or a command for the device."""
        if self.topics.names.primary_host and incoming.topic == self.topics.state:
            self._hear(incoming.payload)
            return None
        if incoming.topic not in (self.topics.node("NCMD"), self.topics.device("DCMD")):
            return None
        if incoming.retain:
            self.counters.refused_requests += 1
            return None
        try:
            metrics = decode(incoming.payload).metrics
        except ValueError:
            self.counters.refused_requests += 1
            return None
        if incoming.topic == self.topics.node("NCMD"):
            if any(one.name == REBIRTH and one.value is True for one in metrics):
                self._be_born_again()
            return None
        return self._request(metrics)

    def answer(self, request: Request, refusal: str, now_ms: int) -> None:
        """Sparkplug has no answers: what was written shows in the data."""
        self.counters.refused_requests += bool(refusal)

    def _hear(self, payload: bytes) -> None:
        state = read_state(payload)
        if state is None or state.at_ms < self._host_at_ms:
            return
        self._host_at_ms = state.at_ms
        self._host_online = state.is_online
        self._is_leaving = self._is_born and not state.is_online

    def _be_born_again(self) -> None:
        self._is_born = self._device_lives = False

    def _request(self, metrics: Sequence[Metric]) -> Request | None:
        wanted: list[tuple[str, object]] = []
        for metric in metrics:
            plan = self._metrics.find(metric)
            if plan is None or plan.point is None:
                self.counters.refused_requests += 1
                return None
            wanted.append((plan.name, signed(metric.value, plan.type)))
        try:
            return Request(self._permissions.values(wanted))
        except RefusedError:
            self.counters.refused_requests += 1
            return None
