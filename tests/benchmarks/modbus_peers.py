"""The servers that the throughput benchmark compares, each in a process of its own.

Run as `python modbus_peers.py NAME REGISTERS [CONNECTIONS]`: prints the port and serves
until standard input ends; ours takes so many connections at most. The C programs are
compiled into a directory the caller gives. The stock server is built as its documentation
shows for its pinned release, with the logging left as it is: warnings only.
"""

from __future__ import annotations

import asyncio
import json
import resource
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent
STOCK = "stock pymodbus"
AUDITED = "audited"
PYTHON_SERVERS = ("ours", "ours on uvloop", STOCK, f"{STOCK} on uvloop")
GCC_OPTIONS = ("-O2", "-std=gnu11", "-Wall", "-Werror", "-I/usr/include/modbus")
C_SERVER = "libmodbus (C)"
FLOOR = "kernel alone (C)"
C_PROGRAMS = {C_SERVER: "modbus_server", FLOOR: "modbus_floor"}
PINNED = False
"""Servers run on processor 0 and the load generator on processor 1 when it is set."""

LIBRARIES = {"modbus_load": (), "modbus_server": ("-lmodbus",), "modbus_floor": ()}


@dataclass(frozen=True)
class Result:
    """What the load generator saw, and processor times: the server's, how much of it by ticks
    was the kernel's, and the load generator's."""

    replies: int
    errors: int
    unanswered: int
    seconds: float
    median_us: float
    p99_us: float
    server_cpu_s: float
    kernel_share: float
    load_cpu_s: float

    @property
    def cpu_us(self) -> float:
        """The server's processor time per reply: steadier than a rate on a shared machine."""
        return 1e6 * self.server_cpu_s / max(1, self.replies)

    @property
    def load_cpu_us(self) -> float:
        """The load generator's processor time per reply."""
        return 1e6 * self.load_cpu_s / max(1, self.replies)

    @property
    def per_second(self) -> float:
        return self.replies / self.seconds


def compile_c(directory: Path) -> None:
    """Compile the load generator and the C servers into `directory`."""
    for name, libraries in LIBRARIES.items():
        subprocess.run(
            ["gcc", *GCC_OPTIONS, "-o", directory / name, HERE / f"{name}.c", *libraries],
            check=True,
        )


@dataclass(frozen=True)
class Running:
    """A server process and its port."""

    pid: int
    port: int

    def cpu_s(self) -> float:
        """Processor time of all threads so far, to the nanosecond (Linux's schedstat)."""
        tasks = Path(f"/proc/{self.pid}/task").iterdir()
        return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9

    def ticks(self) -> tuple[int, int]:
        """Clock ticks spent in user code and in the kernel (proc(5), fields 14 and 15)."""
        fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return int(fields[11]), int(fields[12])


@contextmanager
def serving(
    name: str, directory: Path, registers: int, connections: int = 256
) -> Iterator[Running]:
    """Start a server; it ends with the block."""
    command = (
        [str(directory / C_PROGRAMS[name]), str(registers)]
        if name in C_PROGRAMS
        else [sys.executable, "-W", "ignore", __file__, name, str(registers), str(connections)]
    )
    pipe, quiet = subprocess.PIPE, subprocess.DEVNULL  # the stock server logs every trouble
    with subprocess.Popen(
        [*_on_processor(0), *command], stdin=pipe, stdout=pipe, stderr=quiet
    ) as process:
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
    before, (user, kernel), load_before = server.cpu_s(), server.ticks(), _children_cpu_s()
    done = subprocess.run(
        [*_on_processor(1), directory / "modbus_load", *numbers],
        check=True,
        capture_output=True,
        text=True,
    )
    cpu_s = server.cpu_s() - before
    user, kernel = (now - then for now, then in zip(server.ticks(), (user, kernel), strict=True))
    return Result(
        **json.loads(done.stdout),
        server_cpu_s=cpu_s,
        kernel_share=kernel / max(1, user + kernel),
        load_cpu_s=_children_cpu_s() - load_before,
    )


def _on_processor(number: int) -> list[str]:
    return ["taskset", "-c", str(number)] if PINNED else []


def _children_cpu_s() -> float:
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


async def _serve_ours(registers: int, connections: int, audited: bool) -> int:
    from softctl.audit import Auditor
    from softctl.modbus import Bank, Device, Policy, Server
    from softctl.runtime.modbus_server import ModbusServer
    from softctl.values.tables import Table

    bank = Bank({Table.HOLDING_REGISTERS: [(0, registers)]})
    server = Server([Device(bank, 1)], policy=Policy(max_connections=connections))
    shell = ModbusServer(server)
    if audited:
        shell.observe(Auditor(shell.clock_ns))
    _, port = await shell.start("127.0.0.1", 0)
    return port


async def _serve_stock(registers: int) -> int:
    from pymodbus.server import ModbusTcpServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    data = SimData(0, values=[0] * registers, datatype=DataType.REGISTERS)
    server = ModbusTcpServer(SimDevice(1, simdata=[data]), address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    return server.transport.sockets[0].getsockname()[1]


async def _serve(name: str, registers: int, connections: int) -> None:
    if name.startswith(STOCK):
        port = await _serve_stock(registers)
    else:
        port = await _serve_ours(registers, connections, AUDITED in name)
    print(port, flush=True)
    await asyncio.to_thread(sys.stdin.read)


def _main(name: str, registers: int, connections: int) -> None:
    if name.endswith("on uvloop"):
        import uvloop

        uvloop.run(_serve(name, registers, connections))
    else:
        asyncio.run(_serve(name, registers, connections))


if __name__ == "__main__":
    _main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 256)
