"""The section "MQTT" of the README is held to what is published."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import pytest

from softctl.machine import Machine, parse_machine
from softctl.mqtt import Event, Incoming, JsonSession, Message, Snapshot
from softctl.mqtt.catalogue import catalogue
from softctl.mqtt.json_schema import SCHEMAS
from softctl.runtime.folder import demo_folder, load_folder
from softctl.runtime.mqtt_bridge import step_texts

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
SECTION = README.partition("\n## MQTT\n")[2].partition("\n## ")[0]
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```", SECTION, re.MULTILINE | re.DOTALL)
EXAMPLES = [line for kind, text in BLOCKS if not kind for line in text.splitlines() if line.strip()]
NOW_MS = int(datetime.fromisoformat("2026-03-01T06:30:00+00:00").timestamp() * 1_000)
RUN = "19ca81f2e40a7c1"


@pytest.fixture(scope="module")
def machine() -> Machine:
    """The demo with the README's section."""
    (text,) = [text for kind, text in BLOCKS if kind == "yaml"]
    demo = (demo_folder() / "machine.yaml").read_text(encoding="utf-8")
    return parse_machine(f"{demo}\n{text}", "readme.yaml")


@pytest.fixture(scope="module")
def published(machine: Machine) -> Sequence[Message]:
    """What the demo says at that time."""
    mqtt = machine.mqtt
    assert mqtt is not None
    found = catalogue(machine, mqtt, step_texts(machine, load_folder(demo_folder()).application))
    session = JsonSession(found, mqtt, RUN)
    values = {point.name: point.initial for point in found.all}
    values |= {"LT_101": 0.84, "FEED_STEP": 2}
    session.observe(Snapshot(NOW_MS, [values[point.name] for point in found.all]))
    details = {"value": True}
    session.happen(
        Event(f"{RUN}-8", 8, NOW_MS, "command", "START", "given", "127.0.0.1:53100", details)
    )
    session.connect(NOW_MS)
    session.opened(NOW_MS)
    for value, id_ in ((20, "17"), (1_000, "18")):
        payload = json.dumps({"value": value, "id": id_}).encode()
        request = session.receive(Incoming(f"{session.base}/set/STIR_TIME", payload), NOW_MS)
        if request is not None:
            session.answer(request, "", NOW_MS)
    messages = []
    while (message := session.next(NOW_MS)) is not None:
        messages.append(message)
    return messages


def test_there_are_examples() -> None:
    """So that the next test cannot pass on nothing."""
    assert len(EXAMPLES) == 8


@pytest.mark.parametrize("example", EXAMPLES)
def test_an_example_is_what_is_published(example: str, published: Sequence[Message]) -> None:
    """To the letter."""
    lines = [f"{message.topic} {message.payload.decode()}" for message in published]
    assert example in lines


def test_every_topic_is_in_the_table() -> None:
    """Those with a schema, and those of requests."""
    rows = re.findall(r"^\| (`.*?`) \|", SECTION, re.MULTILINE)
    told = {name for row in rows for name in re.findall(r"`(.*?)`", row)}
    beside = {"points", "changes"}  # of the layout `together`, told below the examples
    assert told | beside == set(SCHEMAS) | {"set", "set/NAME"}
