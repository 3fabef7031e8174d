"""The servers that the throughput benchmark compares, each in a process of its own.

Run as `python modbus_peers.py NAME REGISTERS`: prints the port and serves until standard
input ends. The C programs are compiled into a directory the caller gives.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent
PYTHON_SERVERS = ("ours", "ours on uvloop", "stock pymodbus")
GCC_OPTIONS = ("-O2", "-std=gnu11", "-Wall", "-Werror", "-I/usr/include/modbus")
C_SERVER = "libmodbus (C)"


@dataclass(frozen=True)
class Result:
    """What the load generator saw, and the server's processor time; in microseconds."""

    replies: int
    errors: int
    unanswered: int
    seconds: float
    median_us: float
    p99_us: float
    server_cpu_s: float

    @property
    def cpu_us(self) -> float:
        """The server's processor time per reply: steadier than a rate on a shared machine."""
        return 1e6 * self.server_cpu_s / max(1, self.replies)

    @property
    def per_second(self) -> float:
        return self.replies / self.seconds


def compile_c(directory: Path) -> None:
    """Compile the load generator and the libmodbus server into `directory`."""
    for name, libraries in (("modbus_load", ()), ("modbus_server", ("modbus",))):
        subprocess.run(
            ["gcc", *GCC_OPTIONS, "-o", directory / name, HERE / f"{name}.c"]
            + [f"-l{library}" for library in libraries],
            check=True,
        )


@dataclass(frozen=True)
class Running:
    """A server process and its port."""

    pid: int
    port: int

    def cpu_s(self) -> float:
        """Processor time used so far, all threads, user and system (proc(5), fields 14, 15)."""
        fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def serving(name: str, directory: Path, registers: int) -> Iterator[Running]:
    """Start a server; it ends with the block."""
    command = (
        [str(directory / "modbus_server"), str(registers)]
        if name == C_SERVER
        else [sys.executable, "-W", "ignore", __file__, name, str(registers)]
    )
    pipe, quiet = subprocess.PIPE, subprocess.DEVNULL  # the stock server logs every trouble
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=quiet) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        try:
            yield Running(process.pid, int(process.stdout.readline()))
        finally:
            process.stdin.close()
            process.wait(10)


def load(
    directory: Path, server: Running, connections: int, depth: int, registers: int, seconds: float
) -> Result:
    """Run the load generator once."""
    numbers = map(str, (server.port, connections, depth, registers, seconds))
    before = server.cpu_s()
    done = subprocess.run(
        [directory / "modbus_load", *numbers], check=True, capture_output=True, text=True
    )
    return Result(**json.loads(done.stdout), server_cpu_s=server.cpu_s() - before)


async def _serve_ours(registers: int) -> int:
    from softctl.modbus import Bank, Device
    from softctl.runtime.modbus_server import ModbusServer
    from softctl.values.tables import Table

    bank = Bank({Table.HOLDING_REGISTERS: [(0, registers)]})
    _, port = await ModbusServer(Device(bank, 1)).start("127.0.0.1", 0)
    return port


async def _serve_stock(registers: int) -> int:
    from pymodbus.datastore import (
        ModbusDeviceContext,
        ModbusSequentialDataBlock,
        ModbusServerContext,
    )
    from pymodbus.server import ModbusTcpServer

    block = ModbusSequentialDataBlock(1, [0] * registers)
    context = ModbusServerContext(devices=ModbusDeviceContext(hr=block), single=True)
    server = ModbusTcpServer(context, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    return server.transport.sockets[0].getsockname()[1]


async def _serve(name: str, registers: int) -> None:
    port = await (_serve_stock if name == "stock pymodbus" else _serve_ours)(registers)
    print(port, flush=True)
    await asyncio.to_thread(sys.stdin.read)


def _main(name: str, registers: int) -> None:
    if name == "ours on uvloop":
        import uvloop

        uvloop.run(_serve(name, registers))
    else:
        asyncio.run(_serve(name, registers))


if __name__ == "__main__":
    _main(sys.argv[1], int(sys.argv[2]))
