"""The audit of real clients on three stacks, through the command."""

from __future__ import annotations

import contextlib
import json
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from programs import Program, port_of, started
from pymodbus.client import ModbusTcpClient
from stacks import CStack, PurePythonStack

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


@pytest.fixture(params=["pyModbusTCP", "pymodbus", "libmodbus"])
def connect(request: pytest.FixtureRequest, require_library: Callable[[str], str]):
    """What connects a client of each make."""
    if request.param == "libmodbus":
        library = require_library("modbus")
        return lambda port: CStack(library, port)
    return PurePythonStack if request.param == "pyModbusTCP" else PymodbusStack


def audited(tmp_path: Path, act: Callable[[int], None]) -> tuple[dict, int]:
    """The record of what a client did, and the command's exit code."""
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


def test_a_sound_client_is_not_blamed(connect, tmp_path: Path) -> None:
    """Block reads with the heartbeat and one command: clean, with exit code 0."""

    def act(port: int) -> None:
        client = connect(port)
        for _ in range(6):
            client.input_registers(0, 16)
            client.discrete_inputs(0, 16)
            time.sleep(0.06)
        client.write_coil(0, True)
        client.close()

    record, code = audited(tmp_path, act)
    assert [one for one in record["findings"] if one["severity"] != "advice"] == []
    assert code == 0
    assert record["requests"] == 13
    assert 0.2 < record["coverage"] < 1
    start = next(use for use in record["uses"] if use["point"] == "START")
    assert (start["writes"], start["verdict"]) == (1, "written")


def test_a_careless_client_is_told(connect, tmp_path: Path) -> None:
    """Swapped words, half values and the same write on every poll, whatever the stack."""

    def act(port: int) -> None:
        client = connect(port)
        for _ in range(6):
            client.input_registers(2, 1)
            client.write_registers(0, [0x4E20, 0x0000])
        client.write_registers(0, [0x0000, 0x4E20])
        client.close()

    def careless(port: int) -> None:
        # Some stacks report the refusal of the last write.
        with contextlib.suppress(AssertionError):
            act(port)

    record, code = audited(tmp_path, careless)
    kinds = {one["kind"]: one for one in record["findings"]}
    assert code == 1
    assert {"half a value", "write on every poll", "word order"} <= set(kinds)
    assert kinds["word order"]["subject"] == "STIR_TIME"
    assert "heartbeat not watched" in kinds
