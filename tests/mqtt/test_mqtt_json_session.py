"""Plain JSON topics, without a broker."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest
from mqtt_machine import MQTT, Bench, topics

from softctl.control.alarm_desk import STATE_CODES
from softctl.mqtt import Event, Incoming, Message, Request
from softctl.mqtt.json_schema import SCHEMAS

BASE = "yard/stand_3"
EVENT = Event("run-1-17", 17, 1_764_000_000_123, "command", "START", "given", "panel")
TOGETHER = MQTT.replace("topic: yard/stand_3", "topic: yard/stand_3, layout: together")


def body(message: Message) -> Any:
    return json.loads(message.payload)


def last(messages: list[Message]) -> dict[str, Any]:
    """What a client has that looks at the retained topics."""
    return {m.topic.removeprefix(f"{BASE}/"): body(m) for m in messages if m.retain}


@pytest.fixture
def bench() -> Bench:
    found = Bench("json")
    found.observe(LEVEL=0.5)
    return found


def test_a_client_that_comes_late_has_everything(bench: Bench) -> None:
    """Status, machine, every point, every alarm and the figures are retained."""
    bench.connect()
    held = last(bench.drain())
    points = {f"points/{point.name}" for point in bench.catalogue.points}
    assert set(held) == {"status", "machine", "statistics", "alarms/HIGH", *points}
    assert held["status"]["state"] == "online"
    assert held["points/LEVEL"] == {
        "time": "2025-11-24T16:00:01.000Z",
        "value": 0.5,
        "good": True,
        "unit": "m",
    }
    assert held["points/STAGE"]["text"] == "Idle"
    assert held["points/SOAK"]["value"] == 20.0
    assert held["points/DAY"]["value"] == "2026-11-25"
    assert held["machine"]["points"]["SPEED"] == {
        "role": "setpoint",
        "type": "INT",
        "writable": True,
        "range": [-100, 100],
    }


def test_births_come_first_and_the_will_says_offline(bench: Bench) -> None:
    """Whoever reads `status` knows whether the values can still change."""
    bench.session.happen(EVENT)
    will = bench.connect()
    assert (will.topic, will.qos, will.retain) == (f"{BASE}/status", 1, True)
    assert body(will)["state"] == "offline"
    sent = topics(bench.drain())
    assert sent[:3] == [f"{BASE}/status", f"{BASE}/machine", f"{BASE}/events"]
    (farewell,) = bench.session.farewell(bench.now_ms)
    assert body(farewell)["state"] == "offline"


def test_only_what_changed_is_told(bench: Bench) -> None:
    """And an alarm in words."""
    bench.connect()
    bench.drain()
    bench.observe(LEVEL=0.5)
    assert bench.drain() == []
    bench.observe(LEVEL=1.9, HIGH_STATE=1)
    sent = bench.drain()
    assert topics(sent) == [f"{BASE}/points/LEVEL", f"{BASE}/alarms/HIGH"]
    alarm = body(sent[1])
    assert alarm["state"] == "unacknowledged"
    assert (alarm["active"], alarm["acknowledged"]) == (True, False)
    assert sent[1].qos == 1


@pytest.mark.parametrize("code", STATE_CODES.values())
def test_every_state_of_an_alarm_has_its_words(bench: Bench, code: int) -> None:
    """Those of the alarm board."""
    bench.connect()
    bench.drain()
    bench.observe(HIGH_STATE=code)
    words = next(state.value for state, number in STATE_CODES.items() if number == code)
    sent = bench.drain()
    assert [body(message)["state"] for message in sent] == ([words] if code else [])


def test_a_deadband_is_a_share_of_the_range() -> None:
    """1 % of 2 m are 20 mm, counted from what was told last."""
    bench = Bench("json", MQTT + "  deadband: 1 %\n")
    bench.observe(LEVEL=1.0)
    bench.connect()
    bench.drain()
    told = []
    for level in (1.01, 1.019, 1.025, 1.04, 1.046):
        bench.observe(LEVEL=level)
        told += [body(message)["value"] for message in bench.drain()]
    assert told == [1.025, 1.046]


def test_a_value_that_a_newer_one_overtakes_is_dropped_and_counted(bench: Bench) -> None:
    """While the broker is away values need no more room than there are points."""
    before = bench.session.waiting
    for number in range(50):
        bench.observe(LEVEL=number / 50)
    assert bench.session.waiting == before
    assert bench.session.counters.dropped_values == 50
    bench.connect()
    assert last(bench.drain())["points/LEVEL"]["value"] == 0.98


def test_events_outlast_values_up_to_the_limit() -> None:
    """The oldest goes when there are more than `queue`, and its number is missing."""
    bench = Bench("json", MQTT + "  queue: 100\n")
    for number in range(120):
        bench.session.happen(Event(f"r-{number}", number, 1, "run", "x", "y"))
    bench.connect()
    numbers = [body(m)["number"] for m in bench.drain() if m.topic == f"{BASE}/events"]
    assert numbers == list(range(20, 120))
    assert bench.session.counters.dropped_events == 20


def test_an_event_is_sent_again_with_its_id(bench: Bench) -> None:
    """Until the broker has acknowledged it; whoever gets it twice can tell."""
    second = Event("run-1-18", 18, 1, "run", "x", "y")
    bench.connect()
    bench.session.happen(EVENT)
    bench.session.happen(second)
    sent = [m for m in bench.drain() if m.topic == f"{BASE}/events"]
    assert all(message.qos == 1 and not message.retain for message in sent)
    for message in reversed(sent):
        bench.session.failed(message)
    bench.close()
    bench.connect()
    again = [m for m in bench.drain() if m.topic == f"{BASE}/events"]
    assert [body(m) for m in again] == [EVENT.body(), second.body()]


def test_a_value_that_failed_comes_again_unless_a_newer_one_is_there(bench: Bench) -> None:
    """The last value wins."""
    bench.connect()
    bench.drain()
    bench.observe(LEVEL=0.6, LS_1=True)
    failed = bench.drain()
    bench.observe(LEVEL=0.7)
    for message in reversed(failed):
        bench.session.failed(message)
    again = {m.topic.rpartition("/")[2]: body(m)["value"] for m in bench.drain()}
    assert again == {"LEVEL": 0.7, "LS_1": True}


def test_nothing_is_said_while_closed(bench: Bench) -> None:
    """Neither before the connection nor after it."""
    assert bench.drain() == []
    bench.connect()
    bench.close()
    assert bench.drain() == []


def test_values_without_trust_are_told_so(bench: Bench) -> None:
    """Inputs without their field, everything without the controller."""
    bench.connect()
    bench.drain()
    bench.observe(linked=False)
    good = {m.topic.rpartition("/")[2]: body(m)["good"] for m in bench.drain()}
    assert [name for name, is_good in good.items() if not is_good] == ["LS_1", "LEVEL"]
    bench.observe(present=False)
    sent = bench.drain()
    assert body(sent[0])["controller"] == "lost"
    assert not any(body(message)["good"] for message in sent[1:])


def test_all_that_changed_can_share_a_message() -> None:
    """Layout `together`: changes as they come, and all values with the figures, retained."""
    bench = Bench("json", TOGETHER)
    bench.observe(LEVEL=0.5)
    bench.connect()
    bench.drain()
    bench.observe(LEVEL=0.6, LS_1=True)
    (changes,) = bench.drain()
    assert changes.topic == f"{BASE}/changes"
    assert body(changes)["points"] == {
        "LS_1": {"value": True, "good": True},
        "LEVEL": {"value": 0.6, "good": True},
    }
    bench.session.report(bench.now_ms)
    held = last(bench.drain())
    assert set(held) == {"points", "statistics"}
    assert len(held["points"]["points"]) == len(bench.catalogue.points)


# Requests


def ask(bench: Bench, topic: str, payload: str, **more: Any) -> Request | None:
    incoming = Incoming(f"{BASE}/{topic}", payload.encode(), **more)
    return bench.session.receive(incoming, bench.now_ms)


def replies(bench: Bench) -> list[Any]:
    return [body(m) for m in bench.drain() if m.topic == f"{BASE}/replies"]


@pytest.mark.parametrize(
    ("topic", "payload", "values"),
    [
        ("set/START", "true", {"START": True}),
        ("set/SPEED", "-50", {"SPEED": -50}),
        ("set/SPEED", '{"value": 50, "id": "a"}', {"SPEED": 50}),
        ("set/SOAK", "12.5", {"SOAK": 12_500_000_000}),
        ("set/DOSE", "1.5", {"DOSE": 1.5}),
        ("set/DAY", '"2026-03-01"', {"DAY": 1_772_323_200_000_000_000}),
        ("set", '{"values": {"SPEED": 5, "START": true}}', {"SPEED": 5, "START": True}),
    ],
)
def test_a_request_says_what_is_to_be_written(
    bench: Bench, topic: str, payload: str, values: dict[str, object]
) -> None:
    """In the values of the points, in the order in which they stand."""
    request = ask(bench, topic, payload)
    assert request is not None
    assert [(point.name, value) for point, value in request.values] == list(values.items())


@pytest.mark.parametrize(
    ("topic", "payload", "reason"),
    [
        ("set/PUMP", "true", "the machine file does not allow writing PUMP"),
        ("set/STRAT", "true", "did you mean START?"),
        ("set/START", "1", "START: expected true or false, got 1"),
        ("set/SPEED", '"fast"', "SPEED: expected a number, got 'fast'"),
        ("set/SPEED", "1.5", "SPEED: expected a whole number, got 1.5"),
        ("set/SPEED", "99999", "SPEED: expected a number from -32768 to 32767, got 99999"),
        ("set/SPEED", "NaN", "SPEED: expected a number, got nan"),
        ("set/SPEED", "1" + "0" * 400, "SPEED: expected a number, got something else"),
        ("set/SPEED", "101", "SPEED: expected a value from -100 to 100, got 101"),
        ("set/SOAK", "0.5", "SOAK: expected a value from 1.0 to 60.0, got 0.5"),
        ("set/DAY", '"2027-01-01"', "DAY: expected a value from 2026-01-01 to 2026-12-31"),
        ("set/DAY", '"yesterday"', "DAY: expected a date such as"),
        ("set/START", "go", "expected JSON"),
        ("set/START", "[" * 100_000, "expected JSON"),
        ("set/START", "\udcff", "expected JSON"),
        ("set/START", '{"valve": true}', "expected a value"),
        ("set/START", '{"value": true, "id": {}}', "expected a text of 1 to 200 characters"),
        ("set", "true", 'expected {"values"'),
        ("set", '{"values": {}}', "expected values, got none"),
    ],
)
def test_a_wrong_request_is_refused_with_its_reason(
    bench: Bench, topic: str, payload: str, reason: str
) -> None:
    """Nothing is asked of the controller."""
    bench.connect()
    data = payload.encode("utf-8", "surrogateescape")
    incoming = Incoming(f"{BASE}/{topic}", data)
    assert bench.session.receive(incoming, bench.now_ms) is None
    (reply,) = replies(bench)
    assert reply["result"] == "refused"
    assert reason in reply["reason"]
    assert bench.session.counters.refused_requests == 1


def test_a_retained_request_is_refused(bench: Bench) -> None:
    """A broker would give it again at every connection."""
    bench.connect()
    assert ask(bench, "set/START", "true", retain=True) is None
    assert "not retained" in replies(bench)[0]["reason"]


def test_a_request_that_comes_twice_is_carried_out_once(bench: Bench) -> None:
    """The second gets the same answer, even while the first is on its way."""
    bench.connect()
    bench.drain()
    request = ask(bench, "set/START", '{"value": true, "id": "17"}')
    assert request is not None
    assert ask(bench, "set/START", '{"value": true, "id": "17"}') is None
    bench.session.answer(request, "", bench.now_ms)
    assert ask(bench, "set/START", '{"value": true, "id": "17"}') is None
    first, second = replies(bench)
    assert first == second
    assert (first["id"], first["names"], first["result"]) == ("17", ["START"], "done")
    assert ask(bench, "set/START", '{"value": true, "id": "18"}') is not None


def test_a_refusal_of_the_controller_is_told(bench: Bench) -> None:
    """With its reason."""
    bench.connect()
    bench.drain()
    request = ask(bench, "set/SPEED", "99")
    assert request is not None
    bench.session.answer(request, "no connection", bench.now_ms)
    (reply,) = replies(bench)
    assert (reply["result"], reply["reason"]) == ("refused", "no connection")


@pytest.mark.parametrize(
    ("topic", "is_used"),
    [("panel/7/answers", True), (f"{BASE}/status", False), ("a/#", False), ("$SYS/x", False)],
)
def test_an_answer_goes_where_mqtt_5_asks_for_it(bench: Bench, topic: str, is_used: bool) -> None:
    """With the correlation data; never where it would pass for something else."""
    bench.connect()
    bench.drain()
    ask(bench, "set/PUMP", "true", response_topic=topic, correlation=b"k")
    sent = bench.drain()
    assert topics(sent) == [f"{BASE}/replies", *([topic] if is_used else [])]
    assert not is_used or sent[1].correlation == b"k"


@pytest.mark.parametrize("topic", ["yard/stand_4/set/START", f"{BASE}/settings", "START", ""])
def test_what_is_no_request_is_passed_over(bench: Bench, topic: str) -> None:
    """Whatever a broker sends that nobody has subscribed to."""
    assert bench.session.receive(Incoming(topic, b"true"), bench.now_ms) is None
    assert bench.session.counters.refused_requests == 0


def test_without_permission_nothing_is_subscribed_to() -> None:
    """Writes are off unless the machine file allows them."""
    bench = Bench("json", "mqtt: {json: {topic: yard/stand_3}}\n")
    assert bench.session.subscriptions == ()
    assert ask(bench, "set/START", "true") is None


def schema_of(topic: str) -> str:
    """The name of the schema for a topic below the base."""
    group, _, name = topic.partition("/")
    return f"{group}/NAME" if name else group


def test_every_payload_fits_the_documented_schema() -> None:
    """By another implementation of JSON Schema; every topic is met."""
    met = set()
    for mqtt in (MQTT, TOGETHER):
        bench = Bench("json", mqtt)
        bench.observe(LEVEL=0.5, LABEL="a")
        sent = [bench.connect()]
        bench.session.happen(EVENT)
        request = ask(bench, "set/START", '{"value": true, "id": "17"}')
        assert request is not None
        bench.session.answer(request, "", bench.now_ms)
        ask(bench, "set/PUMP", "true")
        bench.observe(LEVEL=0.6, DOSE=float("nan"))
        sent += bench.drain()
        bench.observe(present=False)
        sent += bench.drain()
        for message in sent:
            name = schema_of(message.topic.removeprefix(f"{BASE}/"))
            met.add(name)
            jsonschema.validate(body(message), SCHEMAS[name])
    assert met == set(SCHEMAS)


def test_the_schema_refuses_what_is_not_in_it() -> None:
    """So the check above can fail."""
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"time": "x", "value": 1}, SCHEMAS["points/NAME"])
