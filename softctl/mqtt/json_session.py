"""Plain JSON topics: last values retained, a birth and a will, events with an id of their own.

All topics begin with the base of the machine file:

    BASE/status          retained, QoS 1   online or offline; offline is the will
    BASE/machine         retained, QoS 1   what there is: points, alarms
    BASE/points/NAME     retained, QoS 0   one value (layout `single`)
    BASE/points          retained, QoS 0   all values, with the figures (layout `together`)
    BASE/changes         QoS 0             those that changed (layout `together`)
    BASE/alarms/NAME     retained, QoS 1   where an alarm stands
    BASE/events          QoS 1             what happened
    BASE/statistics      retained, QoS 0   the controller's figures and the bridge's own
    BASE/set, BASE/set/NAME                requests of clients
    BASE/replies         QoS 1             their answers

Rules:
1. A value that a newer one overtakes before it could be sent is dropped and counted, so
   values never need more room than there are points.
2. Events wait for the broker's acknowledgement, in order. With more than `queue` of them
   the oldest is dropped and counted; its number is then missing.
3. After a connection the births come first, then the events that wait, then everything else
   that is retained, anew.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice

from softctl.machine import Mqtt, MqttLayout, Point
from softctl.mqtt.catalogue import Catalogue, standing
from softctl.mqtt.events import Event, iso_time, to_json
from softctl.mqtt.json_requests import Parts
from softctl.mqtt.requests import Answers, Permissions, RefusedError, Request
from softctl.mqtt.session import Counters, Incoming, Message
from softctl.mqtt.snapshot import Snapshot, Tracker
from softctl.mqtt.values import plain_unit, to_plain

SCHEMA_VERSION = 1
_MOST_REPLIES = 1_000
_MOST_CHANGES = 200
"""In one message: what is put together in one go holds up whoever shares the thread."""


@dataclass(frozen=True, slots=True)
class _Load:
    """What a message tells news of: when each of these values changed, by its index."""

    changed_ms: Mapping[int, int]


class JsonSession:
    """See the module; `run` is an id of this run of the bridge."""

    def __init__(self, catalogue: Catalogue, mqtt: Mqtt, run: str) -> None:
        self.payload = "JSON"
        self.counters = Counters()
        self.base = mqtt.json_topic
        self._catalogue = catalogue
        self._points = catalogue.all
        self._tracker = Tracker(self._points, mqtt.deadband)
        self._is_together = mqtt.json_layout is MqttLayout.TOGETHER
        self._permissions = Permissions(catalogue.machine.points, mqtt.writes)
        self._answers = Answers()
        self._limit = mqtt.queue
        self._run = run
        self._is_open = False
        self._first: deque[Message] = deque()
        """What goes before everything else: births."""
        self._replies: deque[Message] = deque()
        self._events: deque[Event] = deque()
        self._news: dict[int, int] = {}
        """When what is to be told of points and alarms changed, by index, the longest waiting
        first. What is told is the value of the latest snapshot."""
        self._latest: Snapshot | None = None
        self._is_report_due = False

    # The connection

    @property
    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """Requests, if any may be made."""
        if not self._permissions.is_any:
            return ()
        return ((f"{self.base}/set", 1), (f"{self.base}/set/+", 1))

    @property
    def wants_to_leave(self) -> bool:
        """Never."""
        return False

    @property
    def waiting(self) -> int:
        """Values and events that wait."""
        return len(self._events) + len(self._news)

    def connect(self, now_ms: int) -> Message:
        """The will: offline."""
        return self._status("offline", now_ms)

    def opened(self, now_ms: int) -> None:
        """Births, then every retained value anew."""
        self._is_open = True
        self.counters.connections += 1
        self._first.clear()
        self._first.append(self._status("online", now_ms))
        self._first.append(self._message("machine", self._description(), qos=1, retain=True))
        if self._latest is not None:
            told = range(self._catalogue.system_from)
            self._news |= dict.fromkeys(told, self._latest.at_ms)
            self._is_report_due = True

    def closed(self, now_ms: int) -> None:
        """What waits goes on waiting."""
        self._is_open = False
        self._first.clear()

    def farewell(self, now_ms: int) -> Sequence[Message]:
        """Offline, since a broker sends no will after a DISCONNECT."""
        return [self._status("offline", now_ms)]

    # What goes out

    def observe(self, snapshot: Snapshot) -> None:
        """Note what is news; what was not sent yet is overtaken."""
        was_present = self._latest is None or self._latest.is_present
        self._latest = snapshot
        if self._is_open and snapshot.is_present is not was_present:
            self._first.append(self._status("online", snapshot.at_ms))
        told = self._catalogue.system_from
        changed = [index for index in self._tracker.news(snapshot) if index < told]
        before = len(self._news)
        self._news |= dict.fromkeys(changed, snapshot.at_ms)
        self.counters.dropped_values += before + len(changed) - len(self._news)

    def report(self, now_ms: int) -> None:
        """The figures are due."""
        self._is_report_due = True

    def happen(self, event: Event) -> None:
        """Keep an event until the broker has it."""
        self._events.append(event)
        if len(self._events) > self._limit:
            self._events.popleft()
            self.counters.dropped_events += 1

    def next(self, now_ms: int) -> Message | None:
        """Births, replies, events, alarms and values, figures: in this order."""
        if not self._is_open:
            return None
        for take in (self._next_first, self._next_event, self._next_news, self._next_report):
            message = take(now_ms)
            if message is not None:
                self.counters.sent += 1
                return message
        return None

    def failed(self, message: Message) -> None:
        """An event is sent again, with the same id; a value if no newer one is there."""
        self.counters.sent -= 1
        load = message.load
        if isinstance(load, Event):
            self._events.appendleft(load)
        elif isinstance(load, Message):
            self._replies.appendleft(load)
        elif isinstance(load, _Load):
            self._news = {**load.changed_ms, **self._news}

    def _next_first(self, _: int) -> Message | None:
        if self._first:
            return self._first.popleft()
        if self._replies:
            reply = self._replies.popleft()
            return replace(reply, load=reply)
        return None

    def _next_event(self, _: int) -> Message | None:
        if not self._events:
            return None
        event = self._events.popleft()
        return self._message("events", event.body(), qos=1, load=event)

    def _next_news(self, _: int) -> Message | None:
        if not self._news or self._latest is None:
            return None
        alarms_from = self._catalogue.alarms_from
        index = next(iter(self._news))
        if self._is_together and index < alarms_from:
            return self._changes(self._latest)
        changed_ms = self._news.pop(index)
        if index >= alarms_from:
            return self._alarm(index, changed_ms, self._latest)
        body = {"time": iso_time(changed_ms), **self._value(index, self._latest)}
        point = self._points[index]
        if unit := plain_unit(point):
            body["unit"] = unit
        load = _Load({index: changed_ms})
        return self._message(f"points/{point.name}", body, retain=True, load=load)

    def _changes(self, latest: Snapshot) -> Message:
        """Points that changed, so many of them in one message."""
        points = (index for index in self._news if index < self._catalogue.alarms_from)
        indices = list(islice(points, _MOST_CHANGES))
        load = _Load({index: self._news.pop(index) for index in indices})
        values = {self._points[index].name: self._value(index, latest) for index in indices}
        at_ms = max(load.changed_ms.values())
        return self._message("changes", {"time": iso_time(at_ms), "points": values}, load=load)

    def _next_report(self, now_ms: int) -> Message | None:
        """The figures; with them all values, where a single topic holds them."""
        snapshot = self._latest
        if not self._is_report_due or snapshot is None:
            return None
        self._is_report_due = False
        if self._is_together:
            self._first.append(self._statistics(snapshot, now_ms))
            names = range(self._catalogue.alarms_from)
            points = {self._points[index].name: self._value(index, snapshot) for index in names}
            body = {"time": iso_time(snapshot.at_ms), "points": points}
            return self._message("points", body, retain=True)
        return self._statistics(snapshot, now_ms)

    # What comes in

    def receive(self, incoming: Incoming, now_ms: int) -> Request | None:
        """A request to carry out; what is refused, or came before, is answered at once."""
        topic = f"{self.base}/set"
        if not f"{incoming.topic}/".startswith(f"{topic}/"):
            return None  # not ours: a broker that mixes up its clients
        parts = Parts.at(incoming, topic)
        try:
            parts.read(incoming.payload)
            if incoming.retain:
                raise RefusedError("expected a request that is not retained, got a retained one")
            if self._answers.is_known(parts.id):
                given = self._answers.given(parts.id)
                if given is not None:
                    self._reply(given, parts)
                return None
            values = self._permissions.values(parts.wanted)
        except RefusedError as refusal:
            self._refuse(parts, str(refusal), now_ms)
            return None
        self._answers.begin(parts.id)
        return Request(values, parts.id, parts.response_topic, parts.correlation)

    def answer(self, request: Request, refusal: str, now_ms: int) -> None:
        """Publish what became of a request."""
        parts = Parts.of(request)
        if refusal:
            self._refuse(parts, refusal, now_ms)
            return
        body = self._answer_body(parts, "done", now_ms)
        self._answers.end(parts.id, body)
        self._reply(body, parts)

    def _refuse(self, parts: Parts, reason: str, now_ms: int) -> None:
        self.counters.refused_requests += 1
        body = self._answer_body(parts, "refused", now_ms, reason)
        self._answers.end(parts.id, body)
        self._reply(body, parts)

    def _answer_body(self, parts: Parts, result: str, now_ms: int, reason: str = "") -> bytes:
        body: dict[str, object] = {"time": iso_time(now_ms), "id": parts.id or None}
        body |= {"names": parts.names, "result": result}
        if reason:
            body["reason"] = reason
        return to_json(body)

    def _reply(self, body: bytes, parts: Parts) -> None:
        if len(self._replies) >= _MOST_REPLIES:
            return
        self._replies.append(Message(f"{self.base}/replies", body, qos=1))
        topic = parts.response_topic
        if topic and self._is_foreign(topic):
            self._replies.append(Message(topic, body, qos=1, correlation=parts.correlation))

    def _is_foreign(self, topic: str) -> bool:
        """Nobody may have an answer put where it would pass for a value or a request."""
        ours = topic.startswith((f"{self.base}/", "spBv1.0/", "$"))
        return not ours and not set("+#") & set(topic)

    # Bodies

    def _message(
        self, below: str, body: object, *, qos: int = 0, retain: bool = False, load: object = None
    ) -> Message:
        return Message(f"{self.base}/{below}", to_json(body), qos, retain, load=load)

    def _status(self, state: str, now_ms: int) -> Message:
        body: dict[str, object] = {"time": iso_time(now_ms), "state": state, "run": self._run}
        body["machine"] = self._catalogue.machine.name
        if state == "online":
            is_lost = self._latest is not None and not self._latest.is_present
            body["controller"] = "lost" if is_lost else "reached"
        return self._message("status", body, qos=1, retain=True)

    def _value(self, index: int, snapshot: Snapshot) -> dict[str, object]:
        point, value = self._points[index], snapshot.values[index]
        body: dict[str, object] = {
            "value": to_plain(value, point.type),
            "good": self._tracker.is_good(index),
        }
        texts = self._catalogue.texts.get(point.name)
        if texts is not None and 0 <= int(value) < len(texts):
            body["text"] = texts[int(value)]
        return body

    def _alarm(self, index: int, changed_ms: int, snapshot: Snapshot) -> Message:
        rule = self._catalogue.alarms[index - self._catalogue.alarms_from]
        found = standing(snapshot.values[index])
        body = {
            "time": iso_time(changed_ms),
            "state": found.state,
            "active": found.is_active,
            "acknowledged": found.is_acknowledged,
            "good": self._tracker.is_good(index),
            "priority": rule.priority.value,
            "text": rule.text,
        }
        load = _Load({index: changed_ms})
        return self._message(f"alarms/{rule.name}", body, qos=1, retain=True, load=load)

    def _statistics(self, snapshot: Snapshot, now_ms: int) -> Message:
        start = self._catalogue.system_from
        figures = zip(self._catalogue.system, snapshot.values[start:], strict=True)
        counters = self.counters
        body = {
            "time": iso_time(now_ms),
            "controller": {point.name: to_plain(value, point.type) for point, value in figures},
            "bridge": {
                "sent": counters.sent,
                "waiting": self.waiting,
                "dropped_values": counters.dropped_values,
                "dropped_events": counters.dropped_events,
                "refused_requests": counters.refused_requests,
                "connections": counters.connections,
            },
        }
        return self._message("statistics", body, retain=True)

    def _description(self) -> dict[str, object]:
        machine = self._catalogue.machine
        may = self._permissions.may
        return {
            "schema": SCHEMA_VERSION,
            "machine": machine.name,
            "title": machine.title,
            "points": {
                point.name: dict(_point_body(point, may(point.name)))
                for point in self._catalogue.points
            },
            "alarms": {
                rule.name: {"priority": rule.priority.value, "text": rule.text}
                for rule in self._catalogue.alarms
            },
        }


def _point_body(point: Point, is_writable: bool) -> Iterator[tuple[str, object]]:
    yield "role", point.role.value
    yield "type", point.type.name
    yield "writable", is_writable
    if unit := plain_unit(point):
        yield "unit", unit
    if point.low is not None and point.high is not None:
        yield "range", [to_plain(point.low, point.type), to_plain(point.high, point.type)]
    if point.description:
        yield "description", point.description
