"""Whatever anybody publishes to the bridge's topics, it goes on."""

from __future__ import annotations

import json

from hypothesis import given, settings
from hypothesis import strategies as st
from mqtt_machine import PRIMARY, Bench
from sparkplub_b_packets.core import sparkplug_b_pb2 as published

from softctl.mqtt import Incoming, Request
from softctl.mqtt.values import from_plain, to_plain

BASE = "yard/stand_3/set"
NODE = "spBv1.0/yard/{}/stand_3"
PLAIN = Bench("json")
EDGE = Bench("sparkplug", PRIMARY)
NAMES = [*PLAIN.machine.points, "STRAT", "", "a/b"]
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text() | st.sampled_from(NAMES), inner),
    max_leaves=8,
)


def check(request: Request | None) -> None:
    """What a request asks for is allowed, of the point's type and within its range."""
    for point, value in request.values if request is not None else ():
        assert point.role.is_written_by_hmi
        if isinstance(value, int | float) and point.low is not None and point.high is not None:
            assert point.low <= value <= point.high
        assert from_plain(to_plain(value, point.type), point) == value


@settings(max_examples=150)
@given(
    name=st.sampled_from(NAMES),
    body=st.binary(max_size=60)
    | JSON.map(lambda body: json.dumps(body).encode())
    | JSON.map(lambda value: json.dumps({"value": value, "id": "1"}).encode()),
    retain=st.booleans(),
)
def test_any_json_request_is_carried_out_or_refused(name: str, body: bytes, retain: bool) -> None:
    """Never an error of ours, never a value that its point does not take."""
    topic = f"{BASE}/{name}" if name else BASE
    check(PLAIN.session.receive(Incoming(topic, body, retain), 1))


METRICS = st.lists(
    st.fixed_dictionaries(
        {},
        optional={
            "name": st.sampled_from([*NAMES, "Node Control/Rebirth"]),
            "alias": st.integers(0, 2**64 - 1) | st.integers(0, 40),
            "datatype": st.integers(0, 40),
            "is_null": st.booleans(),
            "int_value": st.integers(0, 2**32 - 1),
            "long_value": st.integers(0, 2**64 - 1),
            "float_value": st.floats(width=32),
            "double_value": st.floats(),
            "boolean_value": st.booleans(),
            "string_value": st.text(max_size=20),
        },
    ),
    max_size=4,
)


def packed(metrics: list[dict[str, object]]) -> bytes:
    payload = published.Payload(timestamp=1)
    for metric in metrics:
        payload.metrics.add(**metric)
    data: bytes = payload.SerializeToString()
    return data


@settings(max_examples=150)
@given(
    kind=st.sampled_from(["NCMD", "DCMD", "NBIRTH"]),
    body=st.binary(max_size=60) | METRICS.map(packed),
)
def test_any_sparkplug_command_is_carried_out_or_refused(kind: str, body: bytes) -> None:
    """By the node and by the device."""
    topic = NODE.format(kind) + ("/basin" if kind == "DCMD" else "")
    check(EDGE.session.receive(Incoming(topic, body), 1))


@given(body=st.binary(max_size=40) | JSON.map(lambda body: json.dumps(body).encode()))
def test_any_state_of_a_host_is_read_or_passed_over(body: bytes) -> None:
    """STATE is JSON that others write."""
    EDGE.session.receive(Incoming("spBv1.0/STATE/hub", body), 1)
