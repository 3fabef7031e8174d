"""Connections to a real broker: Mosquitto, killed, restarted, slow, and refusing."""

from __future__ import annotations

import asyncio
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from mqtt_live import Mosquitto, Observer, Told, Wire, until
from mqtt_machine import Bench
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from sparkplub_b_packets.core import sparkplug_b_pb2 as published

from softctl.errors import SoftctlError
from softctl.machine import MqttBroker, MqttVersion
from softctl.mqtt import Event, Request
from softctl.runtime.mqtt_connection import MqttConnection, Patience
from softctl.runtime.mqtt_settings import Access

pytestmark = [pytest.mark.network, pytest.mark.peer]

BASE = "yard/stand_3"
QUICK = Patience(answer_s=5.0, retry_s=(0.05,))
VERSIONS = [MqttVersion.V311, MqttVersion.V5]


@pytest.fixture(scope="module")
def program(require_tool: Callable[[str], str]) -> str:
    return require_tool("mosquitto")


@pytest.fixture(scope="module")
def broker(program: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """One that everybody may use."""
    with Mosquitto(program, tmp_path_factory.mktemp("broker")) as found:
        yield found


class Live:
    """A bench's session on a connection; `written` keeps the requests it carried out."""

    def __init__(
        self,
        bench: Bench,
        port: int,
        patience: Patience = QUICK,
        password: str | None = None,
        **settings: Any,
    ) -> None:
        self.bench = bench
        self.told = Told()
        self.written: list[Request] = []
        self.refusal = ""
        access = Access(replace(MqttBroker("127.0.0.1", port), **settings), password=password)
        self.connection = MqttConnection(bench.session, access, self._write, self.told, patience)

    async def _write(self, request: Request) -> None:
        if self.refusal:
            raise SoftctlError(self.refusal)
        self.written.append(request)

    async def __aenter__(self) -> Live:
        self.connection.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.connection.close()

    def happen(self, number: int) -> None:
        event = Event(f"r-{number}", number, self.bench.now_ms, "run", "x", "y")
        self.bench.session.happen(event)
        self.connection.wake()

    def observe(self, **values: Any) -> None:
        self.bench.observe(**values)
        self.connection.wake()

    async def connected(self, times: int = 1) -> None:
        await until(lambda: self.told.count("mqtt broker connected") >= times)


@pytest.mark.parametrize("version", VERSIONS)
async def test_values_requests_and_the_end(broker: Mosquitto, version: MqttVersion) -> None:
    """Retained values come at once, a request is carried out and answered, and a bridge
    that ends says that it is offline."""
    bench = Bench("json")
    bench.observe(LEVEL=0.5)
    async with Live(bench, broker.port, version=version) as live:
        await live.connected()
        async with Observer(broker.port, f"{BASE}/points/LEVEL") as first:
            await first.until(lambda: first.seen)
        async with Observer(broker.port, f"{BASE}/#") as panel:
            level = (await panel.until(lambda: panel.of("points/LEVEL")))[0]
            assert level.retain
            assert level.body["value"] == 0.5
            assert (await panel.until(lambda: panel.of("status")))[0].body["state"] == "online"
            await panel.client.publish(f"{BASE}/set/SPEED", '{"value": 7, "id": "k"}', 1)
            reply = (await panel.until(lambda: panel.of("replies")))[0]
            assert (reply.body["id"], reply.body["result"]) == ("k", "done")
            assert [(p.name, v) for p, v in live.written[0].values] == [("SPEED", 7)]
            live.refusal = "no"
            await panel.client.publish(f"{BASE}/set/SPEED", "8")
            reply = (await panel.until(lambda: panel.of("replies")[1:]))[0]
            assert (reply.body["result"], reply.body["reason"]) == ("refused", "no")
            await live.connection.close()
            await panel.until(lambda: panel.of("status")[1:])
            assert panel.of("status")[-1].body["state"] == "offline"


async def test_mqtt_5_has_an_answer_where_it_asks_for_it(broker: Mosquitto) -> None:
    """With the correlation data; and a request that is published as retained is refused."""
    async with Live(Bench("json"), broker.port, version=MqttVersion.V5) as live:
        await live.connected()
        async with Observer(broker.port, "panel/7", f"{BASE}/replies") as panel:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.ResponseTopic = "panel/7"
            properties.CorrelationData = b"k1"
            await panel.client.publish(f"{BASE}/set/START", "true", 1, properties=properties)
            answer = (await panel.until(lambda: panel.of("panel/7")))[0]
            assert answer.properties.CorrelationData == b"k1"
            assert answer.body["result"] == "done"
            await panel.client.publish(f"{BASE}/set/START", "true", 1, retain=True)
            await panel.until(lambda: panel.of("replies")[1:])
            assert "retained" in panel.of("replies")[1].body["reason"]
            await panel.client.publish(f"{BASE}/set/START", "", 1, retain=True)
    assert len(live.written) == 1


@pytest.mark.parametrize("version", VERSIONS)
async def test_a_bridge_that_vanishes_is_offline_by_its_will(
    broker: Mosquitto, version: MqttVersion
) -> None:
    """JSON status and NDEATH are the broker's to say then; the next birth has the next bdSeq."""
    async with (
        Wire(broker.port) as wire,
        Observer(broker.port, f"{BASE}/status", "spBv1.0/yard/#") as host,
    ):
        plain, node = Bench("json"), Bench("sparkplug")
        node.observe()
        async with (
            Live(plain, wire.port, version=version) as one,
            Live(node, wire.port, version=version) as two,
        ):
            await one.connected()
            await two.connected()
            await host.until(lambda: host.of("NBIRTH/stand_3"))
            wire.cut()
            await host.until(lambda: host.of("NDEATH/stand_3"))
            await host.until(lambda: "offline" in [s.body["state"] for s in host.of("status")])
            await host.until(lambda: host.of("NBIRTH/stand_3")[1:])
            births, deaths = host.of("NBIRTH/stand_3"), host.of("NDEATH/stand_3")
            assert [_bd_seq(one.payload) for one in births] == [0, 1]
            assert _bd_seq(deaths[0].payload) == 0


def _bd_seq(payload: bytes) -> int:
    read = published.Payload()
    read.ParseFromString(payload)
    (value,) = [one.long_value for one in read.metrics if one.name == "bdSeq"]
    return value


async def test_no_event_is_lost_when_the_broker_is_killed_and_restarted(
    program: str, tmp_path: Path
) -> None:
    """Each arrives at least once and in order; what comes twice has the id it had before."""
    broker = Mosquitto(program, tmp_path)
    got: list[str] = []
    async with Wire(broker.port) as wire, Live(Bench("json"), wire.port) as live:
        wire.shut()
        for begin in (0, 50, 100):
            broker.start()
            async with Observer(broker.port, f"{BASE}/events") as panel:
                await wire.open()
                for number in range(begin, begin + 40):
                    live.happen(number)
                    await asyncio.sleep(0)
                await panel.until(lambda last=begin, panel=panel: _has(panel, f"r-{last + 3}"))
                wire.shut()
                broker.kill()  # in the middle of things
                for number in range(begin + 40, begin + 50):
                    live.happen(number)
                await panel.ended()
                got += [one.body["id"] for one in panel.seen]
        broker.start()
        async with Observer(broker.port, f"{BASE}/events") as panel:
            await wire.open()
            await panel.until(lambda: _has(panel, "r-149"))
            got += [one.body["id"] for one in panel.seen]
        broker.kill()
    first = list(dict.fromkeys(got))
    assert first == [f"r-{number}" for number in range(150)]
    assert live.bench.session.counters.dropped_events == 0


def _has(panel: Observer, id_: str) -> bool:
    return any(one.body["id"] == id_ for one in panel.seen)


async def test_a_slow_broker_costs_no_event_and_little_memory(broker: Mosquitto) -> None:
    """While it takes nothing, values overtake each other and events wait; then all comes."""
    async with (
        Wire(broker.port) as wire,
        Observer(broker.port, f"{BASE}/#") as panel,
        Live(Bench("json"), wire.port, Patience(answer_s=30.0, retry_s=(0.05,))) as live,
    ):
        await live.connected()
        await panel.until(lambda: panel.of("machine"))
        wire.flows.clear()
        for number in range(3_000):
            live.observe(LEVEL=(number % 1_000) / 1_000, LABEL=f"{number:012d}")
            if number % 10 == 0:
                live.happen(number)
            await asyncio.sleep(0)
        session = live.bench.session
        assert session.waiting < 400
        assert session.counters.dropped_values > 2_000
        wire.flows.set()
        await panel.until(lambda: len(panel.of("events")) == 300)
        await panel.until(lambda: panel.of("LABEL")[-1].body["value"] == "000000002999")
        assert [one.body["number"] for one in panel.of("events")] == list(range(0, 3_000, 10))
        assert session.counters.connections == 1


async def test_a_broker_that_does_not_answer_is_left_and_tried_again(broker: Mosquitto) -> None:
    """A connection that stands still is given up after the time for an answer; what was on
    its way is sent again."""
    async with (
        Wire(broker.port) as wire,
        Observer(broker.port, f"{BASE}/#") as panel,
        Live(Bench("json"), wire.port, Patience(answer_s=0.5, retry_s=(0.05,))) as live,
    ):
        await live.connected()
        await panel.until(lambda: panel.of("machine"))
        wire.flows.clear()
        live.happen(1)
        await until(lambda: live.told.count("mqtt broker not reached"))
        wire.cut()
        wire.flows.set()
        (event,) = await panel.until(lambda: panel.of("events"))
        assert event.body["id"] == "r-1"
        assert live.told.count("mqtt broker connected") == 2


async def test_a_broker_that_is_not_there_is_told_once() -> None:
    """However often it is tried; the bridge ends at once all the same."""
    told_at_end = 0
    async with Live(Bench("json"), 1, Patience(answer_s=5.0, retry_s=(0.01,))) as live:
        await until(lambda: live.told.events)
        await asyncio.sleep(0.1)
        told_at_end = len(live.told.events)
    assert told_at_end == 1
    assert live.told.events[0][0] == "mqtt broker not reached"
    assert "refused" in str(live.told.reasons()[0]).lower()


@pytest.mark.parametrize("version", VERSIONS)
async def test_a_broker_that_refuses_the_password_says_so(
    program: str, tmp_path: Path, version: MqttVersion, require_tool: Callable[[str], str]
) -> None:
    """And with the right one it lets the bridge in."""
    secrets = tmp_path / "passwords"
    command = [require_tool("mosquitto_passwd"), "-b", "-c", str(secrets), "skid", "right"]
    subprocess.run(command, check=True, capture_output=True)
    lines = ("allow_anonymous false", f"password_file {secrets}")
    with Mosquitto(program, tmp_path, *lines) as broker:
        for password in ("wrong", None):
            bench = Bench("json")
            live = Live(bench, broker.port, password=password, user="skid", version=version)
            async with live:
                await until(lambda live=live: live.told.events)
            assert "Not authorized" in str(live.told.reasons()[0])
        bench = Bench("json")
        settings = {"password": "right", "user": "skid", "version": version}
        async with Live(bench, broker.port, **settings) as live:  # type: ignore[arg-type]
            await live.connected()
