"""Clients on libraries of the npm registry, in a Node process that takes orders."""

from __future__ import annotations

import itertools
import json
import os
import subprocess
from pathlib import Path
from typing import Any

PACKAGES = {"jsmodbus": "4.0.10", "modbus-serial": "8.0.25"}
SCRIPT = Path(__file__).with_name("npm_hmi.js")


class RefusedError(AssertionError):
    """The library reports an exception, or has lost its connection."""


class NodeHmi:
    """A Node process with one library, and as many connections as are opened."""

    def __init__(self, node: str, modules: Path, library: str) -> None:
        self.library = library
        self._numbers = itertools.count()
        self._process = subprocess.Popen(
            [node, str(SCRIPT), library],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "NODE_PATH": str(modules)},
        )

    def order(self, do: str, *, patience_ms: int = 20_000, **more: Any) -> Any:
        """One order and its result; RefusedError if the library reports an error, or nothing."""
        process, number = self._process, next(self._numbers)
        assert process.stdin is not None
        assert process.stdout is not None
        wanted = {"id": number, "do": do, "patience_ms": patience_ms, **more}
        process.stdin.write(json.dumps(wanted) + "\n")
        process.stdin.flush()
        line = process.stdout.readline()
        assert line, f"{self.library} ended with {process.wait(timeout=10)}"
        answer = json.loads(line)
        assert answer["id"] == number
        if "error" in answer:
            raise RefusedError(answer["error"])
        return answer["result"]

    def open(self, port: int, unit: int = 1, objects: int = 1) -> list[NpmStack]:
        """One connection with so many of the library's client objects on it."""
        handles = self.order("open", port=port, unit=unit, objects=objects)
        return [NpmStack(self, handle) for handle in handles]

    def connect(self, port: int) -> NpmStack:
        """One connection with one client object."""
        (stack,) = self.open(port)
        return stack

    def end(self) -> None:
        """End the process; its connections go with it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(timeout=20)
        self._process.stdout.close()


class NpmStack:
    """One client object, by the words of the other stacks."""

    def __init__(self, hmi: NodeHmi, handle: int) -> None:
        self._hmi = hmi
        self._handle = handle

    def _do(self, what: str, *arguments: Any) -> Any:
        return self._hmi.order(what, client=self._handle, **{"with": arguments})

    def coils(self, address: int, count: int) -> list[bool]:
        return list(self._do("coils", address, count)[:count])

    def discrete_inputs(self, address: int, count: int) -> list[bool]:
        return list(self._do("discreteInputs", address, count)[:count])

    def input_registers(self, address: int, count: int) -> list[int]:
        return list(self._do("inputRegisters", address, count))

    def holding_registers(self, address: int, count: int) -> list[int]:
        return list(self._do("holdingRegisters", address, count))

    def write_coil(self, address: int, value: bool) -> None:
        self._do("writeCoil", address, value)

    def write_register(self, address: int, value: int) -> None:
        self._do("writeRegister", address, value)

    def write_registers(self, address: int, values: list[int]) -> None:
        self._do("writeRegisters", address, values)

    def server_id(self) -> None:
        """Function 17, to whose exception one library gives no answer at all."""
        self._hmi.order("serverId", patience_ms=300, client=self._handle, **{"with": []})

    def at_once(self, times: int, address: int, count: int) -> None:
        """Reads of input registers, none of which waits for another."""
        self._hmi.order(
            "at once",
            client=self._handle,
            times=times,
            what="inputRegisters",
            **{"with": [address, count]},
        )

    def close(self) -> None:
        self._do("close")
