"""What travels to viewers: rounded values, changes only, and slow viewers that catch up."""

from __future__ import annotations

import asyncio
import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from softctl.errors import SoftctlError
from softctl.web.access import Person, Role
from softctl.web.channels import Channels, Group
from softctl.web.values import Changes, delta_message, full_message, shown
from softctl.web.viewer import MOST_WAITING, Allowance, Viewer

VALUES = st.one_of(st.booleans(), st.integers(-(2**40), 2**40), st.floats(), st.text(max_size=3))


@settings(max_examples=40)
@given(st.lists(st.lists(VALUES, min_size=4, max_size=4), min_size=1, max_size=8))
def test_whoever_applies_all_changes_has_what_is_there(rows: list[list[object]]) -> None:
    """Deltas, applied in their order, give the values of the last full message."""
    changes, seen = Changes(), [None] * 4
    for row in rows:
        pairs = iter(json.loads(delta_message(0.0, changes.take(row)))["v"])
        for index, value in zip(pairs, pairs, strict=True):
            seen[index] = value
    assert seen == json.loads(full_message(0.0, changes.shown))["v"]
    assert seen == [json.loads(json.dumps(shown(value))) for value in rows[-1]]


def test_a_change_that_nobody_could_see_is_not_sent() -> None:
    """Numbers have six digits; what changes behind them stays at home."""
    changes = Changes()
    assert changes.take([1.2345678, True, math.nan]) == [0, 1.23457, 1, True]
    assert changes.take([1.2345699, True, math.inf]) == []
    assert changes.take([1.2345751, 1, 5.0]) == [0, 1.23458, 1, 1, 2, 5.0]


def test_channels_that_are_asked_for_come_behind_and_go_when_nobody_looks() -> None:
    """The same names have the same places; unknown ones are told apart."""

    def find(name: str) -> object:
        if name == "var:none":
            raise SoftctlError("no")
        return lambda: (len(name),)

    channels = Channels([Group(("a", "b"), lambda: (1, 2)), Group((), tuple)], find)
    assert channels.known(["var:x", "var:none"]) == (["var:x"], ["var:none"])
    assert channels.subscribe(["var:x", "var:yy"]) == 2
    assert channels.subscribe(["var:z"]) == 4
    assert channels.subscribe(["var:x", "var:yy"]) == 2
    assert channels.read() == [1, 2, 5, 6, 5]
    channels.forget_subscriptions()
    assert (channels.read(), channels.names) == ([1, 2], ["a", "b"])


class Wire:
    """Where a viewer's messages go; it can be blocked."""

    def __init__(self) -> None:
        self.sent: list[str] = []
        self.is_open = asyncio.Event()
        self.is_open.set()

    async def send(self, text: str) -> None:
        await self.is_open.wait()
        self.sent.append(text)


async def settle() -> None:
    for _ in range(10):
        await asyncio.sleep(0)


async def test_a_slow_viewer_skips_changes_and_gets_everything_when_it_can() -> None:
    """While it takes nothing, changes are dropped and states replaced; then all values come."""
    wire = Wire()
    viewer = Viewer(Person(Role.VIEW, "here"), wire.send, lambda: "full")
    running = asyncio.create_task(viewer.run())
    viewer.tell("hello")
    await settle()
    assert wire.sent == ["hello", "full"]
    viewer.offer("d1")
    await settle()
    wire.is_open.clear()
    viewer.offer("d2")
    await settle()
    for text in ("d3", "d4"):
        viewer.offer(text)
        viewer.show("alarms", text)
    wire.is_open.set()
    await settle()
    assert wire.sent == ["hello", "full", "d1", "d2", "d4", "full"]
    viewer.offer("d5")
    await settle()
    assert wire.sent[-1] == "d5"
    running.cancel()


async def test_a_viewer_that_leaves_too_much_lying_is_lost() -> None:
    """Events are not dropped, so there is an end to how many may wait."""
    wire = Wire()
    viewer = Viewer(Person(Role.VIEW, "here"), wire.send, lambda: "full")
    for number in range(MOST_WAITING + 1):
        viewer.tell(str(number))
    assert viewer.is_lost
    await asyncio.wait_for(viewer.run(), 1)


def test_who_asks_too_often_waits_for_its_turn() -> None:
    """Ten at once, then ten a second: the twentieth more has to wait for two seconds."""
    allowance = Allowance(10.0, 10.0, 0.0)
    assert [allowance.wait_s(0.0) for _ in range(10)] == [0.0] * 10
    waits = [allowance.wait_s(0.0) for _ in range(20)]
    assert waits[0] == pytest.approx(0.1)
    assert waits[-1] == pytest.approx(2.0)
    assert allowance.wait_s(100.0) == 0.0
