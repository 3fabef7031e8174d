"""The audit of real clients on five stacks, through the command and beside it."""

from __future__ import annotations

import contextlib
import functools
import json
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from audited_server import audited
from npm_stack import PACKAGES, NodeHmi
from programs import Program, port_of, started
from pymodbus.client import ModbusTcpClient
from stacks import CStack, PurePythonStack, Stack

pytestmark = pytest.mark.network


class PymodbusStack:
    """pymodbus, by the same words."""

    def __init__(self, port: int) -> None:
        self._client = ModbusTcpClient("127.0.0.1", port=port, timeout=5)
        assert self._client.connect()

    def discrete_inputs(self, address: int, count: int) -> list[bool]:
        return self._client.read_discrete_inputs(address, count=count, device_id=1).bits

    def input_registers(self, address: int, count: int) -> list[int]:
        return self._client.read_input_registers(address, count=count, device_id=1).registers

    def write_coil(self, address: int, value: bool) -> None:
        self._client.write_coil(address, value, device_id=1)

    def write_registers(self, address: int, values: list[int]) -> None:
        self._client.write_registers(address, values, device_id=1)

    def close(self) -> None:
        self._client.close()


Connect = Callable[[int], Stack]
MAKES = ("pyModbusTCP", "pymodbus", "libmodbus", *PACKAGES)


@pytest.fixture(scope="module")
def connects(
    npm_modules: Path,
    require_tool: Callable[[str], str],
    require_library: Callable[[str], str],
) -> Iterator[dict[str, Connect]]:
    """What connects a client of each make."""
    library = require_library("modbus")
    hmis = {name: NodeHmi(require_tool("node"), npm_modules, name) for name in PACKAGES}
    yield {
        "pyModbusTCP": PurePythonStack,
        "pymodbus": PymodbusStack,
        "libmodbus": lambda port: CStack(library, port),
        **{name: hmi.connect for name, hmi in hmis.items()},
    }
    for hmi in hmis.values():
        hmi.end()


def recorded(tmp_path: Path, act: Callable[[int], None]) -> tuple[dict, int]:
    """The record of what clients did, and the command's exit code."""
    record = tmp_path / "audit.json"
    options = ("audit", "--field-port", "0", "--hmi-port", "0", "--json", str(record))
    with started(*options) as program:
        ready = program.wait_for("ready")
        program.wait_for("field link healthy")
        act(port_of(ready["hmi"]))
        code = _stop(program)
    return json.loads(record.read_text(encoding="utf-8")), code


def _stop(program: Program) -> int:
    program.process.send_signal(signal.SIGINT)
    return program.process.wait(timeout=30)


def sound(client: Stack) -> None:
    """Block reads with the heartbeat and one command."""
    for _ in range(6):
        client.input_registers(0, 16)
        client.discrete_inputs(0, 16)
        time.sleep(0.06)
    client.write_coil(0, True)
    client.close()


def careless(client: Stack, setpoint: int, swapped: list[int]) -> None:
    """Half values, the same write on every poll, swapped words."""
    for _ in range(6):
        client.input_registers(2, 1)
        client.write_registers(setpoint, swapped[::-1])
    # Some stacks report the refusal of this one.
    with contextlib.suppress(AssertionError):
        client.write_registers(setpoint, swapped)
    client.close()


def test_sound_clients_of_every_make_are_not_blamed(
    connects: dict[str, Connect], tmp_path: Path
) -> None:
    """One after the other through the command: a clean record, with exit code 0."""

    def act(port: int) -> None:
        for name in MAKES:
            sound(connects[name](port))

    record, code = recorded(tmp_path, act)
    assert [one for one in record["findings"] if one["severity"] != "advice"] == []
    assert (code, record["clean"]) == (0, True)
    assert record["requests"] == 13 * len(MAKES)
    assert 0.2 < record["coverage"] < 1
    start = next(use for use in record["uses"] if use["point"] == "START")
    assert (start["writes"], start["verdict"]) == (len(MAKES), "written")


def test_a_careless_client_ends_the_command_with_1(
    connects: dict[str, Connect], tmp_path: Path
) -> None:
    """The demo's STIR_TIME with its words swapped, and more, through the command."""
    act = functools.partial(careless, setpoint=0, swapped=[0x0000, 0x4E20])
    record, code = recorded(tmp_path, lambda port: act(connects["pyModbusTCP"](port)))
    kinds = {one["kind"]: one for one in record["findings"]}
    assert (code, record["clean"]) == (1, False)
    assert {"half a value", "write on every poll", "word order"} <= set(kinds)
    assert kinds["word order"]["subject"] == "STIR_TIME"
    assert "heartbeat not watched" in kinds


@pytest.mark.parametrize("make", MAKES)
def test_a_careless_client_of_each_make_is_told_the_same(
    connects: dict[str, Connect], make: str
) -> None:
    """The findings do not depend on a library's habits."""
    with audited() as server:
        speed = server.machine.points["SPEED"].hmi
        assert speed is not None
        careless(connects[make](server.port), speed.address, [0x43E1, 0x0000])
        kinds = {finding.kind for finding in server.report().findings}
    assert kinds >= {"half a value", "write on every poll", "word order", "heartbeat not watched"}
    assert "wrong type" not in kinds
