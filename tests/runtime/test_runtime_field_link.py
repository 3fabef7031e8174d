"""The controller's link to its I/O cards, over real sockets, with fields that misbehave."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Coroutine
from dataclasses import replace
from random import Random
from typing import Any, TypeVar

import pytest

from softctl.image import Side, extents, field_banks
from softctl.machine import Machine
from softctl.modbus import Bank, Device, Server
from softctl.modbus.fault_scope import Scope
from softctl.modbus.faults import Delay, Faults, Refuse, Rule, Silence
from softctl.runtime.field_client import LinkError
from softctl.runtime.field_link import FieldLink
from softctl.runtime.folder import demo_folder, read_machine
from softctl.runtime.modbus_server import ModbusServer
from softctl.values.tables import Table

pytestmark = pytest.mark.network

T = TypeVar("T")


@pytest.fixture(scope="module")
def machine() -> Machine:
    return replace(read_machine(demo_folder()), fail_safe_after_ns=200_000_000)


class Field:
    """A field server with a bank that the test can see, and faults that it can switch."""

    def __init__(self, machine: Machine) -> None:
        self.bank = Bank(extents(machine, Side.FIELD))
        self.faults = Faults(Random(1), time.monotonic_ns())
        device = Device(self.bank, machine.field.unit)
        self.server = ModbusServer(Server([device], faults=self.faults))


def at_once(work: Coroutine[Any, Any, T]) -> T:
    """The result of a coroutine that waits for nothing; fails if it does wait."""
    try:
        work.send(None)
    except StopIteration as end:
        result: T = end.value
        return result
    work.close()
    raise AssertionError("expected a result at once, got a wait")


async def exchange_until(link: FieldLink, is_done: Callable[[], bool]) -> None:
    """Exchange as a scan loop does, until something holds."""
    deadline = time.monotonic() + 5
    while not is_done():
        assert time.monotonic() < deadline
        await link.read_inputs()
        await link.write_outputs()
        await asyncio.sleep(0.005)


async def test_inputs_come_and_outputs_go(machine: Machine) -> None:
    """One exchange carries every card's inputs in and every card's outputs out."""
    field = Field(machine)
    mirror = Bank(extents(machine, Side.FIELD))
    at = await field.server.start()
    link = FieldLink(machine, {machine.field.unit: mirror}, *at)
    field.bank.bits(Table.DISCRETE_INPUTS)[9] = 1
    field.bank.registers(Table.INPUT_REGISTERS)[0:2] = b"\x12\x34"
    mirror.bits(Table.COILS)[8] = 1
    await exchange_until(link, lambda: link.healthy)
    assert mirror.bits(Table.DISCRETE_INPUTS)[9] == 1
    assert mirror.registers(Table.INPUT_REGISTERS)[0:2] == b"\x12\x34"
    assert field.bank.bits(Table.COILS)[8] == 1
    await link.close()
    await field.server.close()


@pytest.mark.parametrize("effect", [Silence(), Refuse(4)], ids=["silent", "failing"])
async def test_a_field_that_does_not_answer_is_lost_and_found(
    machine: Machine, effect: Silence | Refuse
) -> None:
    """Silence or exceptions make the link unhealthy after the declared time; answers heal it."""
    told: list[str] = []
    field = Field(machine)
    at = await field.server.start()
    link = FieldLink(machine, field_banks(machine), *at, lambda event, **_: told.append(event))
    await exchange_until(link, lambda: link.healthy)
    rule = Rule(effect, Scope())
    field.faults.add(rule)
    await exchange_until(link, lambda: not link.healthy)
    field.faults.remove(rule)
    await exchange_until(link, lambda: link.healthy)
    states = [event for event in told if event.startswith("field link")]
    assert states == ["field link healthy", "field link lost", "field link healthy"]
    await link.close()
    await field.server.close()


async def test_a_field_that_is_slow_in_every_answer_does_not_stretch_the_fail_safe(
    machine: Machine,
) -> None:
    """Answers that each come in time but together too late end the exchange, and the health.

    Every single answer needs less than half of the time after which outputs have to be
    fail-safe; all of an exchange need more than the whole of it.
    """
    field = Field(machine)
    at = await field.server.start()
    told: list[str] = []
    link = FieldLink(
        machine,
        field_banks(machine),
        *at,
        lambda event, **fields: told.append(str(fields.get("reason"))),
    )
    await exchange_until(link, lambda: link.healthy)
    requests = 3
    assert len(link._reads) + len(link._writes) == requests
    slow = Rule(Delay(round(0.4 * machine.fail_safe_after_ns)), Scope())
    field.faults.add(slow)
    await link.read_inputs()
    await link.write_outputs()
    assert not link.healthy
    assert any("all requests of a scan within 0.2 s" in reason for reason in told)
    for _ in range(50):
        assert not at_once(link.read_inputs()), "a scan waits for a healthy link only"
        assert at_once(link.write_outputs()) is None
        assert not link.healthy
        await asyncio.sleep(0.01)
    field.faults.remove(slow)
    await exchange_until(link, lambda: link.healthy)
    await link.close()
    await field.server.close()


async def test_a_link_closes_even_if_the_cancellation_of_a_connection_is_lost(
    machine: Machine,
) -> None:
    """A link that is closed while it connects ends, though the first request to end is lost."""
    link = FieldLink(machine, field_banks(machine), "127.0.0.1", 1)
    connecting = asyncio.Event()

    async def lose_the_first() -> None:
        if not connecting.is_set():
            connecting.set()
            with contextlib.suppress(asyncio.CancelledError):
                await asyncio.sleep(60)
        raise LinkError("no field")

    link._client.connect = lose_the_first  # type: ignore[method-assign]
    await link.read_inputs()
    await connecting.wait()
    closing = asyncio.create_task(link.close())
    done, _ = await asyncio.wait([closing], timeout=10)
    assert done, "waited for, not cancelled: a second cancellation would end it by itself"


async def test_a_field_that_comes_late_is_found(machine: Machine) -> None:
    """A controller may start before its field does."""
    field = Field(machine)
    host, port = await field.server.start()
    await field.server.close()
    link = FieldLink(machine, field_banks(machine), host, port)
    for _ in range(10):
        assert not await link.read_inputs()
        await asyncio.sleep(0.01)
    assert not link.healthy
    late = Field(machine)
    await late.server.start(host, port)
    await exchange_until(link, lambda: link.healthy)
    await link.close()
    await late.server.close()
