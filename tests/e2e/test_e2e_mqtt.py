"""MQTT as a user has it: `run --broker`, and `bridge` beside a running controller."""

from __future__ import annotations

import asyncio
import json
import shutil
import socket
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from programs import Program, started

pytestmark = pytest.mark.network

DEMO = Path(__file__).parents[2] / "configs" / "glasshouse_feed"
SECTION = """
mqtt:
  port: {port}
  interval: 100 ms
  json: {{topic: {topic}}}
  writes: {{allow: [commands, STIR_TIME]}}
"""
PATIENCE_S = 30.0


def folder(at: Path, port: int, topic: str) -> Path:
    shutil.copytree(DEMO, at)
    with (at / "machine.yaml").open("a", encoding="utf-8") as file:
        file.write(SECTION.format(port=port, topic=topic))
    return at


@pytest.fixture(scope="module")
def port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="module")
def state(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("s")


@pytest.fixture(scope="module")
def running(
    port: int, state: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Program, str]]:
    """The demo with the embedded broker, and where its HMI server listens."""
    machine = folder(tmp_path_factory.mktemp("m") / "demo", port, "inside")
    arguments = ["run", str(machine), "--broker", "--field-port", "0", "--hmi-port", "0"]
    with started(*arguments, "--state", str(state)) as program:
        program.wait_for("mqtt broker on this computer")
        hmi = program.wait_for("ready")["hmi"]
        program.wait_for("mqtt broker connected")
        yield program, hmi


class Panel:
    """A client of the broker that keeps the last message of each topic, and all of some."""

    def __init__(self, client: aiomqtt.Client) -> None:
        self.client = client
        self.last: dict[str, Any] = {}
        self.all: list[tuple[str, Any]] = []

    async def until(self, is_there: Callable[[], Any]) -> Any:
        async with asyncio.timeout(PATIENCE_S):
            while not (found := is_there()):
                message = await anext(aiter(self.client.messages))
                assert isinstance(message.payload, bytes)
                body = json.loads(message.payload)
                self.last[message.topic.value] = body
                self.all.append((message.topic.value, body))
            return found

    def events(self, base: str, what: str) -> list[Any]:
        return [one for topic, one in self.all if topic == f"{base}/events" and what in str(one)]


@pytest.fixture
async def panel(running: tuple[Program, str], port: int) -> AsyncIterator[Panel]:
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("inside/#", 1)
        await client.subscribe("beside/#", 1)
        yield Panel(client)


async def test_a_command_from_mqtt_starts_the_machine(panel: Panel, state: Path) -> None:
    """It is answered, journalled with where it came from, and the machine moves."""
    await panel.until(lambda: "inside/points/FEED_STEP" in panel.last)
    assert panel.last["inside/points/FEED_STEP"]["text"] == "Idle"
    await panel.client.publish("inside/set/START", '{"value": true, "id": "1"}', 1)
    reply = await panel.until(lambda: panel.last.get("inside/replies"))
    assert (reply["id"], reply["result"]) == ("1", "done")
    (event,) = await panel.until(lambda: panel.events("inside", "given"))
    assert (event["kind"], event["name"]) == ("command", "START")
    assert event["by"].startswith("mqtt 127.0.0.1:")
    await panel.until(lambda: panel.last["inside/points/FEED_STEP"]["text"] != "Idle")
    await panel.client.publish("inside/set/STIR_TIME", "100000", 1)
    reply = await panel.until(lambda: "STIR_TIME" in panel.last["inside/replies"]["names"])
    assert panel.last["inside/replies"]["result"] == "refused"


async def test_a_bridge_beside_a_controller_publishes_and_writes(
    running: tuple[Program, str], panel: Panel, port: int, state: Path, tmp_path: Path
) -> None:
    """Values over the HMI map, events through the socket; a write is the bridge's there."""
    _, hmi = running
    machine = folder(tmp_path / "demo", port, "beside")
    arguments = ["bridge", str(machine), "--hmi", hmi, "--state", str(state)]
    with started(*arguments) as bridge:
        bridge.wait_for("controller reached")
        await panel.until(lambda: "beside/points/LT_101" in panel.last)
        await panel.client.publish("beside/set/STIR_TIME", "33.5", 1)
        reply = await panel.until(lambda: panel.last.get("beside/replies"))
        assert reply["result"] == "done", reply
        (event, *_) = await panel.until(lambda: panel.events("beside", "33.5"))
        assert event["name"] == "STIR_TIME"
        assert event["by"].startswith("127.0.0.1:")
        same = await panel.until(lambda: panel.events("inside", "33.5"))
        assert same[0]["id"] == event["id"]
        assert await panel.until(lambda: panel.last["beside/points/STIR_TIME"]["value"] == 33.5)
        assert bridge.stop() == 0
    await panel.until(lambda: panel.last["beside/status"]["state"] == "offline")
