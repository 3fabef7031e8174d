"""The rules of Sparkplug B 3.0 for edge nodes, each under its published identifier.

The rules are those of section 6 of the Eclipse Sparkplug 3.0 specification's published text
on topics, payloads and operational behaviour. The identifiers (tck-id-…) are those of its
technology compatibility kit; all of them are given from memory, so one may be misspelled.

Every message of a story is read by a decoder of other make: the package
sparkplug-b-packets, which brings the specification's schema compiled by others.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from google.protobuf.unknown_fields import UnknownFieldSet
from mqtt_machine import PRIMARY, Bench
from sparkplub_b_packets.core import sparkplug_b_pb2 as published

from softctl.mqtt import Event, Incoming, Message
from softctl.mqtt.sparkplug_payload import DataType, Metric, Payload, encode

NODE = "spBv1.0/yard/{}/stand_3"
DEVICE = "spBv1.0/yard/{}/stand_3/basin"
STATE = "spBv1.0/STATE/hub"
EVENT = Event("r-1", 1, 1_764_000_900_000, "run", "rinse_stand", "started")


def read(message: Message) -> Any:
    """A message's payload as the other decoder has it."""
    payload = published.Payload()
    payload.ParseFromString(message.payload)
    return payload


def named(message: Message, name: str) -> Any:
    """The one metric of that name."""
    (found,) = (metric for metric in read(message).metrics if metric.name == name)
    return found


def kinds(messages: list[Message]) -> list[str]:
    """NBIRTH, DDATA…"""
    return [message.topic.split("/")[2] for message in messages]


def bd_seq(message: Message) -> int:
    return named(message, "bdSeq").long_value


def command(topic: str, *metrics: Metric, retain: bool = False) -> Incoming:
    return Incoming(topic, encode(Payload(5, metrics)), retain)


REBIRTH = command(NODE.format("NCMD"), Metric(DataType.BOOLEAN, True, "Node Control/Rebirth"))


def host(online: bool, at_ms: int) -> Incoming:
    return Incoming(STATE, json.dumps({"online": online, "timestamp": at_ms}).encode())


class Story:
    """A connection with births, data of node and device, and a rebirth."""

    def __init__(self) -> None:
        self.bench = Bench("sparkplug")
        self.bench.observe(LEVEL=0.5)
        self.will = self.bench.connect()
        self.births = self.bench.drain()
        self.bench.observe(LEVEL=0.6, LS_1=True)
        self.bench.session.happen(EVENT)
        self.bench.session.report(self.bench.now_ms)
        self.data = self.bench.drain()
        self.bench.observe(LEVEL=0.7)
        self.bench.session.receive(REBIRTH, self.bench.now_ms)
        self.rebirths = self.bench.drain()
        self.farewell = list(self.bench.session.farewell(self.bench.now_ms))

    @property
    def all(self) -> list[Message]:
        return [*self.births, *self.data, *self.rebirths]


@pytest.fixture(scope="module")
def story() -> Story:
    return Story()


def only(messages: list[Message], *wanted: str) -> list[Message]:
    return [message for message in messages if message.topic.split("/")[2] in wanted]


def births(story: Story) -> list[Message]:
    return only(story.all, "NBIRTH", "DBIRTH")


def data(story: Story) -> list[Message]:
    return only(story.all, "NDATA", "DDATA")


def metrics(messages: list[Message]) -> list[Any]:
    return [metric for message in messages for metric in read(message).metrics]


def aliases(story: Story) -> list[int]:
    return [one.alias for one in metrics(births(story)[:2]) if one.HasField("alias")]


RULES: dict[str, Callable[[Story], object]] = {
    # Topics and how they are published
    "topics-nbirth-topic": lambda s: s.births[0].topic == NODE.format("NBIRTH"),
    "topics-dbirth-topic": lambda s: s.births[1].topic == DEVICE.format("DBIRTH"),
    "topics-ndata-topic": lambda s: only(s.data, "NDATA")[0].topic == NODE.format("NDATA"),
    "topics-ddata-topic": lambda s: only(s.data, "DDATA")[0].topic == DEVICE.format("DDATA"),
    "topics-ndeath-topic": lambda s: s.will.topic == NODE.format("NDEATH"),
    "topics-nbirth-mqtt": lambda s: all(m.qos == 0 and not m.retain for m in births(s)),
    "topics-ndata-mqtt": lambda s: all(m.qos == 0 and not m.retain for m in data(s)),
    "payloads-ndeath-will-message": lambda s: s.will.qos == 1 and not s.will.retain,
    # Sequence
    "topics-nbirth-seq-num": lambda s: all(read(m).seq == 0 for m in only(s.all, "NBIRTH")),
    "payloads-sequence-num-incrementing": lambda s: (
        [read(m).seq for m in [*s.births, *s.data]] == list(range(len(s.births) + len(s.data)))
    ),
    "topics-dbirth-seq": lambda s: read(s.births[1]).seq == 1,
    "payloads-ndeath-seq": lambda s: not read(s.will).HasField("seq"),
    # bdSeq
    "topics-nbirth-bdseq-included": lambda s: bd_seq(s.births[0]) == 0,
    "topics-nbirth-bdseq-matching": lambda s: bd_seq(s.births[0]) == bd_seq(s.will),
    "payloads-ndeath-bdseq": lambda s: len(read(s.will).metrics) == 1 and bd_seq(s.will) == 0,
    # Births before data
    "message-flow-edge-node-birth-publish-subscribe": lambda s: (
        (NODE.format("NCMD"), 1) in s.bench.session.subscriptions
    ),
    "message-flow-device-dcmd-subscribe": lambda s: (
        (DEVICE.format("DCMD"), 1) in s.bench.session.subscriptions
    ),
    "payloads-dbirth-order": lambda s: kinds(s.births)[:2] == ["NBIRTH", "DBIRTH"],
    "payloads-ddata-order": lambda s: kinds(s.all).index("DBIRTH") < kinds(s.all).index("DDATA"),
    "payloads-ndata-order": lambda s: kinds(s.all).index("NBIRTH") < kinds(s.all).index("NDATA"),
    # Rebirth
    "topics-nbirth-rebirth-metric": lambda s: (
        named(s.births[0], "Node Control/Rebirth").boolean_value is False
    ),
    "operational-behavior-data-commands-rebirth-datatype": lambda s: (
        named(s.births[0], "Node Control/Rebirth").datatype == published.Boolean
    ),
    "operational-behavior-data-commands-rebirth-name-aliases": lambda s: (
        not named(s.births[0], "Node Control/Rebirth").HasField("alias")
    ),
    "operational-behavior-data-commands-rebirth-action-2": lambda s: (
        kinds(s.rebirths)[:2] == ["NBIRTH", "DBIRTH"]
    ),
    "operational-behavior-data-commands-rebirth-action-3": lambda s: (
        bd_seq(s.rebirths[0]) == bd_seq(s.will)
    ),
    # Metrics
    "payloads-timestamp-in-UTC": lambda s: all(read(m).timestamp > 1.76e12 for m in s.all),
    "payloads-name-requirement": lambda s: all(one.name for one in metrics(births(s))),
    "payloads-name-birth-data-requirement": lambda s: all(one.timestamp for one in metrics(s.all)),
    "payloads-metric-datatype-req": lambda s: all(one.datatype for one in metrics(births(s))),
    "payloads-alias-uniqueness": lambda s: len(set(aliases(s))) == len(aliases(s)) > 20,
    "payloads-alias-birth-requirement": lambda s: all(
        one.HasField("alias")
        for one in metrics(births(s))
        if one.name not in ("bdSeq", "Node Control/Rebirth")
    ),
    "payloads-alias-data-cmd-requirement": lambda s: all(
        one.HasField("alias") and not one.HasField("name") for one in metrics(data(s))
    ),
    "operational-behavior-data-publish-nbirth": lambda s: (
        {one.alias for one in metrics(data(s))} <= set(aliases(s))
    ),
    "case-sensitivity-metric-names": lambda s: (
        len({one.name.casefold() for one in metrics(s.births[:2])}) == len(metrics(s.births[:2]))
    ),
    "payloads-propertyset-keys-array-size": lambda s: all(
        len(one.properties.keys) == len(one.properties.values) for one in metrics(s.all)
    ),
    "payloads-propertyset-quality-value-value": lambda s: all(
        value.int_value in (0, 192, 500)
        for one in metrics(s.all)
        for key, value in zip(one.properties.keys, one.properties.values, strict=True)
        if key == "Quality"
    ),
    # The end
    "operational-behavior-edge-node-intentional-disconnect-ndeath": lambda s: (
        kinds(s.farewell) == ["NDEATH"] and bd_seq(s.farewell[0]) == 0
    ),
}


@pytest.mark.parametrize("identifier", RULES)
def test_a_rule_of_the_specification_holds(identifier: str, story: Story) -> None:
    """What the rule tck-id-… asks of an edge node's messages."""
    assert RULES[identifier](story)


def test_every_message_is_whole_for_another_decoder(story: Story) -> None:
    """The other decoder finds no field that its schema does not have."""
    for message in [story.will, *story.all, *story.farewell]:
        payload = read(message)
        assert payload.SerializeToString() == message.payload
        for part in (payload, *payload.metrics, *(one.properties for one in payload.metrics)):
            assert len(UnknownFieldSet(part)) == 0


def test_sequence_numbers_go_round() -> None:
    """255 is followed by 0 (payloads-sequence-num-incrementing), and bdSeq likewise."""
    bench = Bench("sparkplug")
    bench.observe()
    for connection in range(258):
        will = bench.connect()
        assert bd_seq(will) == connection % 256
        bench.close()
    bench.connect()
    sent = bench.drain()
    for number in range(300):
        bench.observe(LEVEL=number / 300)
        sent += bench.drain()
    assert [read(message).seq for message in sent] == [n % 256 for n in range(len(sent))]
    assert len(sent) > 300


def test_nothing_is_said_before_the_primary_host_is_online() -> None:
    """message-flow-edge-node-birth-publish-phid-wait, …-wait-online."""
    bench = Bench("sparkplug", PRIMARY)
    bench.observe(LEVEL=0.5)
    bench.connect()
    assert (STATE, 1) in bench.session.subscriptions
    assert bench.drain() == []
    bench.session.receive(host(False, 10), bench.now_ms)
    bench.session.receive(Incoming(STATE, b"online"), bench.now_ms)
    bench.session.receive(Incoming(STATE, b'{"online": 1, "timestamp": 11}'), bench.now_ms)
    assert bench.drain() == []
    bench.session.receive(host(True, 12), bench.now_ms)
    assert kinds(bench.drain())[:2] == ["NBIRTH", "DBIRTH"]


def test_an_older_state_of_the_primary_host_is_passed_over() -> None:
    """message-flow-edge-node-birth-publish-phid-wait-timestamp."""
    bench = Bench("sparkplug", PRIMARY)
    bench.connect()
    bench.session.receive(host(True, 100), bench.now_ms)
    bench.drain()
    bench.session.receive(host(False, 99), bench.now_ms)
    assert not bench.session.wants_to_leave
    bench.session.receive(host(False, 100), bench.now_ms)
    assert bench.session.wants_to_leave


def test_a_primary_host_that_goes_offline_ends_the_session_with_a_death() -> None:
    """message-flow-edge-node-birth-publish-phid-offline: NDEATH, leave, connect anew; what
    was noted meanwhile comes after the next births as historical, with its own time."""
    bench = Bench("sparkplug", PRIMARY)
    bench.observe(LEVEL=0.5)
    bench.connect()
    bench.session.receive(host(True, 100), bench.now_ms)
    bench.drain()
    bench.session.receive(host(False, 200), bench.now_ms)
    bench.observe(LEVEL=0.6)
    assert bench.session.wants_to_leave
    assert bench.drain() == []
    assert kinds(list(bench.session.farewell(bench.now_ms))) == ["NDEATH"]
    bench.close()
    bench.observe(LEVEL=0.7)
    stored_ms = bench.now_ms
    assert bd_seq(bench.connect()) == 1
    bench.session.receive(host(True, 300), bench.now_ms)
    sent = bench.drain()
    assert kinds(sent) == ["NBIRTH", "DBIRTH", "DDATA"]
    stored = read(sent[2]).metrics
    assert all(metric.is_historical for metric in stored)
    levels = [(m.timestamp, round(m.float_value, 3)) for m in stored if m.HasField("float_value")]
    assert levels == [(stored_ms - 1000, 0.6), (stored_ms, 0.7)]
    assert round(named(sent[1], "LEVEL").float_value, 3) == 0.7


def test_data_noted_in_the_session_is_not_historical(story: Story) -> None:
    """operational-behavior-data-publish: only what was stored is marked so."""
    assert not any(metric.is_historical for metric in metrics(story.data))


def test_values_are_dropped_before_events_and_counted() -> None:
    """With more than `queue` waiting the oldest value goes, and an event only after the last."""
    bench = Bench("sparkplug", PRIMARY)
    for number in range(150):
        bench.observe(LEVEL=number / 150)
        bench.session.happen(EVENT)
    counters = bench.session.counters
    assert bench.session.waiting == 100
    assert counters.dropped_events == 50
    assert counters.dropped_values == 150 + len(bench.catalogue.points)
    bench.connect()
    bench.session.receive(host(True, 1), bench.now_ms)
    sent = bench.drain()
    assert kinds(sent) == ["NBIRTH", "DBIRTH", *["NDATA"] * 100]


def test_a_message_that_failed_is_stored_and_sent_again() -> None:
    """What a broken connection may have lost comes after the next births, as historical."""
    bench = Bench("sparkplug")
    bench.connect()
    bench.observe()
    bench.drain()
    bench.observe(LEVEL=1.25)
    bench.session.happen(replace(EVENT, at_ms=bench.now_ms))
    sent = bench.drain()
    for message in reversed(sent):
        bench.session.failed(message)
    bench.close()
    bench.connect()
    again = only(bench.drain(), "NDATA", "DDATA")
    assert [m.is_historical for m in metrics(again)] == [True, True]
    assert json.loads(metrics(again)[0].string_value)["id"] == "r-1"
    assert metrics(again)[1].float_value == 1.25


def test_the_device_dies_and_is_born_with_the_controller() -> None:
    """topics-ddeath: DDEATH has a sequence number and no metric; a DBIRTH follows later."""
    bench = Bench("sparkplug")
    bench.connect()
    assert kinds(bench.drain()) == ["NBIRTH"]
    bench.observe(LEVEL=0.5)
    assert kinds(bench.drain())[0] == "DBIRTH"
    bench.observe(present=False)
    (death,) = bench.drain()
    assert kinds([death]) == ["DDEATH"]
    assert read(death).HasField("seq")
    assert not read(death).metrics
    bench.observe(LEVEL=0.9)
    assert kinds(bench.drain())[0] == "DBIRTH"


def test_an_input_without_its_field_is_stale() -> None:
    """The property Quality is 500 then, and 192 when it is good again; outputs are not."""
    bench = Bench("sparkplug")
    bench.observe(LEVEL=0.5)
    bench.connect()
    birth = bench.drain()[1]
    by_alias = {metric.alias: metric.name for metric in read(birth).metrics}

    def qualities() -> dict[str, int]:
        return {
            by_alias[metric.alias]: metric.properties.values[0].int_value
            for metric in metrics(only(bench.drain(), "DDATA"))
            if metric.properties.keys
        }

    bench.observe(linked=False)
    assert qualities() == {"LS_1": 500, "LEVEL": 500}
    bench.observe()
    assert qualities() == {"LS_1": 192, "LEVEL": 192}


def test_commands_name_a_metric_by_alias_or_name() -> None:
    """payloads-alias-data-cmd-requirement: an alias alone is enough, without a type."""
    bench = Bench("sparkplug")
    bench.observe()
    bench.connect()
    alias = named(bench.drain()[1], "SPEED").alias
    payload = published.Payload(timestamp=1)
    payload.metrics.add(alias=alias, int_value=0xFFFF_FFCE)
    topic = DEVICE.format("DCMD")
    request = bench.session.receive(Incoming(topic, payload.SerializeToString()), bench.now_ms)
    assert request is not None
    assert [(point.name, value) for point, value in request.values] == [("SPEED", -50)]
    start = command(topic, Metric(DataType.BOOLEAN, True, "START"))
    request = bench.session.receive(start, bench.now_ms)
    assert request is not None
    assert request.names == ["START"]


@pytest.mark.parametrize(
    "incoming",
    [
        command(DEVICE.format("DCMD"), Metric(DataType.BOOLEAN, True, "START"), retain=True),
        command(DEVICE.format("DCMD"), Metric(DataType.BOOLEAN, True, "PUMP")),
        command(DEVICE.format("DCMD"), Metric(DataType.BOOLEAN, True, "STRAT")),
        command(DEVICE.format("DCMD"), Metric(DataType.BOOLEAN, True, alias=9_999)),
        command(DEVICE.format("DCMD"), Metric(DataType.STRING, "go", "START")),
        command(DEVICE.format("DCMD"), Metric(DataType.BOOLEAN, None, "START")),
        Incoming(DEVICE.format("DCMD"), b"\xff\xff\xff"),
    ],
    ids=["retained", "output", "unknown", "alias", "type", "null", "garbage"],
)
def test_a_command_that_may_not_be_is_refused(incoming: Incoming) -> None:
    """Nothing is asked of the controller, and the refusal is counted."""
    bench = Bench("sparkplug")
    bench.connect()
    assert bench.session.receive(incoming, bench.now_ms) is None
    assert bench.session.counters.refused_requests == 1


@pytest.mark.parametrize("kind", ["DDATA", "NBIRTH"])
def test_what_is_no_command_is_passed_over(kind: str) -> None:
    """Whatever a broker sends that nobody has subscribed to."""
    bench = Bench("sparkplug")
    bench.connect()
    start = command(DEVICE.format(kind), Metric(DataType.BOOLEAN, True, "START"))
    assert bench.session.receive(start, bench.now_ms) is None
    assert bench.session.counters.refused_requests == 0


def test_without_permission_the_device_takes_no_commands() -> None:
    """Its topic is not even subscribed to, and a command is refused."""
    bench = Bench("sparkplug", "mqtt: {sparkplug: {group: yard}}\n")
    bench.connect()
    assert [topic for topic, _ in bench.session.subscriptions] == ["spBv1.0/yard/NCMD/rinse_stand"]
    topic = "spBv1.0/yard/DCMD/rinse_stand/machine"
    start = command(topic, Metric(DataType.BOOLEAN, True, "START"))
    assert bench.session.receive(start, bench.now_ms) is None
    assert bench.session.counters.refused_requests == 1
