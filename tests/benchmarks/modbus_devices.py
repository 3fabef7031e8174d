"""Many simulated devices in one process, polled by many clients at once.

`python tests/benchmarks/modbus_devices.py [DEVICES [REGISTERS [CLIENTS [POLLS]]]]` makes
1,000 devices of 1,000 holding registers by default, behind as many servers as unit ids
ask for (247 each, as the specification numbers devices), and has 50 clients at once read
every register of every device, POLLS times over. Every reply is checked, value by value.
It prints the memory that the registers take and what the requests cost.
"""

from __future__ import annotations

import asyncio
import sys
import time
import tracemalloc
from collections.abc import Sequence
from dataclasses import dataclass

from softctl.modbus import Bank, Device, Server
from softctl.modbus.codes import MAX_READ_REGISTERS
from softctl.modbus.frames import encode_frame
from softctl.runtime.loop import run_loop
from softctl.runtime.modbus_server import ModbusServer
from softctl.values.tables import Table

UNITS = 247
"""Unit ids 1 to 247 address devices (Modbus over Serial Line V1.02, section 2.2)."""

WORDS = Table.HOLDING_REGISTERS


@dataclass(frozen=True)
class Result:
    """Bytes that the devices take, with their tables of units; requests, errors, seconds."""

    device_bytes: int
    requests: int
    errors: int
    seconds: float


def build_servers(devices: int, registers: int) -> list[Server]:
    """Devices whose every register holds a value of its own."""
    servers = []
    for start in range(0, devices, UNITS):
        fleet = []
        for index in range(start, min(start + UNITS, devices)):
            device = Device(Bank({WORDS: [(0, registers)]}), index - start + 1)
            device.bank.registers(WORDS)[:] = content(index, registers)
            fleet.append(device)
        servers.append(Server(fleet))
    return servers


def content(index: int, registers: int) -> bytes:
    """What the registers of a device hold."""
    return b"".join(((index * 7 + at) & 0xFFFF).to_bytes(2, "big") for at in range(registers))


async def measure(devices: int, registers: int, clients: int, polls: int) -> Result:
    """Build, poll and judge."""
    tracemalloc.start()
    servers = build_servers(devices, registers)
    device_bytes, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    shells = [ModbusServer(server) for server in servers]
    ports = [(await shell.start())[1] for shell in shells]
    started = time.perf_counter()
    try:
        shares = [range(number, devices, clients) for number in range(clients)]
        counts = await asyncio.gather(
            *(_poll(ports, share, registers, polls) for share in shares if share)
        )
    finally:
        for shell in shells:
            await shell.close()
    return Result(
        device_bytes,
        sum(requests for requests, _ in counts),
        sum(errors for _, errors in counts),
        time.perf_counter() - started,
    )


async def _poll(
    ports: Sequence[int], share: Sequence[int], registers: int, polls: int
) -> tuple[int, int]:
    """One client: a connection to each server it needs, one request at a time."""
    links: dict[int, tuple[asyncio.StreamReader, asyncio.StreamWriter]] = {}
    requests = errors = 0
    for _ in range(polls):
        for index in share:
            place = index // UNITS
            if place not in links:
                links[place] = await asyncio.open_connection("127.0.0.1", ports[place])
            expected = content(index, registers)
            for first in range(0, registers, MAX_READ_REGISTERS):
                count = min(MAX_READ_REGISTERS, registers - first)
                frame, reply = _exchange(index, first, count, expected)
                reader, writer = links[place]
                writer.write(frame)
                errors += await reader.readexactly(len(reply)) != reply
                requests += 1
    for _, writer in links.values():
        writer.close()
        await writer.wait_closed()
    return requests, errors


def _exchange(index: int, first: int, count: int, expected: bytes) -> tuple[bytes, bytes]:
    """A request frame, and the only right reply to it."""
    transaction, unit = (index * 31 + first) & 0xFFFF, index % UNITS + 1
    ask = b"\x03" + first.to_bytes(2, "big") + count.to_bytes(2, "big")
    data = expected[2 * first : 2 * (first + count)]
    answer = bytes((3, len(data))) + data
    return encode_frame(transaction, unit, ask), encode_frame(transaction, unit, answer)


async def _report(devices: int, registers: int, clients: int, polls: int) -> None:
    result = await measure(devices, registers, clients, polls)
    print(
        f"{devices} devices x {registers} registers: {result.device_bytes / 2**20:.1f} MiB; "
        f"{clients} clients: {result.requests} requests, {result.errors} errors, "
        f"{result.requests / result.seconds:.0f} requests/s, clients in the same process"
    )


def main() -> None:
    given = [int(text) for text in sys.argv[1:]]
    devices, registers, clients, polls = given + [1000, 1000, 50, 3][len(given) :]
    run_loop(_report(devices, registers, clients, polls))


if __name__ == "__main__":
    main()
