"""What an audit costs our server, in one run with the same server without it.

`python tests/benchmarks/audit_cost.py [SECONDS [ROUNDS]]` prints requests per second and
processor time per request under the C load generator, in turns, and what an audit of 500
devices costs.
"""

from __future__ import annotations

import sys
import tempfile
import time
import tracemalloc
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from modbus_peers import AUDITED, Result, compile_c, load, serving

from softctl.audit import Auditor
from softctl.field import FieldDevice
from softctl.modbus import Bank, Device, Server
from softctl.modbus.clients import Client
from softctl.modbus.frames import encode_frame
from softctl.modbus.server import Connection
from softctl.runtime.auditing import FieldAudit
from softctl.runtime.clock import MachineClock
from softctl.runtime.fleet_seats import Seat, Spread, seats
from softctl.runtime.fleet_service import FleetService
from softctl.runtime.folder import configs_folder, load_folder
from softctl.values.tables import Table

SERVERS = ("ours", f"ours {AUDITED}")
POLLS = (b"\x02\x00\x00\x00\x06", b"\x04\x00\x00\x00\x01")
LOADS = {"1 connection": (1, 1, 10), "32 connections": (32, 1, 10), "16 deep": (1, 16, 10)}

Rounds = dict[str, list[tuple[Result, Result]]]


def measure(directory: Path, seconds: float, rounds: int) -> Rounds:
    """For each load the rounds of both servers in turns, the plain one first."""
    found: Rounds = {}
    with ExitStack() as stack:
        plain, audited = (stack.enter_context(serving(name, directory, 1000)) for name in SERVERS)
        for name, numbers in LOADS.items():
            found[name] = [
                (
                    load(directory, plain, *numbers, seconds),
                    load(directory, audited, *numbers, seconds),
                )
                for _ in range(rounds)
            ]
    return found


def table(found: Rounds) -> str:
    """Medians of rate and processor time, and of the rounds' own ratios between the two.

    Two servers that take turns of a moment meet the same disturbances, so a ratio within a
    round says more than one of the best of each.
    """
    lines = [
        f"{'load':18}{'req/s':>9}{'audited':>9}{'less':>8}{'cpu us':>9}{'audited':>9}{'more':>8}"
    ]
    for name, rounds in found.items():
        # On a busy machine a moment may pass in which one of them has no turn at all.
        rounds = [pair for pair in rounds if all(result.replies for result in pair)]
        rates = [(one.per_second, other.per_second) for one, other in rounds]
        costs = [(_cpu_us(one), _cpu_us(other)) for one, other in rounds]
        less = median(1 - audited / plain for plain, audited in rates)
        more = median(audited / plain - 1 for plain, audited in costs)
        (plain, audited), (before, after) = (
            map(median, zip(*pairs, strict=True)) for pairs in (rates, costs)
        )
        lines.append(
            f"{name:18}{plain:9.0f}{audited:9.0f}{less:8.1%}{before:9.2f}{after:9.2f}{more:8.1%}"
        )
    return "\n".join(lines)


def _cpu_us(result: Result) -> float:
    return 1e6 * result.server_cpu_s / result.replies


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 0.1
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 40
    with tempfile.TemporaryDirectory() as directory:
        compile_c(Path(directory))
        print(table(measure(Path(directory), seconds, rounds)))
    for deep in (1, 16):
        print(bare_line(deep, *measure_bare(deep, 25)))
    print(fleet_line(measure_fleet(500, 60)))


# Without sockets


def measure_bare(deep: int, rounds: int) -> tuple[float, float]:
    """Processor microseconds of a poll without and with an audit, best of rounds in turns.

    32 connections in memory, so many polls at once on each: what a busy machine does to a
    server with sockets is not in it.
    """
    servers = [_bare_connections(is_audited) for is_audited in (False, True)]
    best = [float("inf"), float("inf")]
    for _ in range(rounds):
        for index, connections in enumerate(servers):
            best[index] = min(best[index], _bare_round(connections, deep))
    return best[0], best[1]


def _bare_connections(is_audited: bool) -> list[Connection]:
    server = Server([Device(Bank({Table.HOLDING_REGISTERS: [(0, 1000)]}))])
    if is_audited:
        auditor = Auditor(time.monotonic_ns)
        server.on_request, server.on_polls = auditor.on_request, auditor.on_polls
    return [server.connect(Client(f"192.0.2.1:{number}", "192.0.2.1")) for number in range(32)]


def _bare_round(connections: list[Connection], deep: int) -> float:
    read = b"\x03\x00\x00\x00\x0a"
    polls = b"".join(encode_frame(number, 1, read) for number in range(deep))
    times = 2_400 // deep
    started = time.process_time()
    for _ in range(times):
        for connection in connections:
            connection.receive(polls, time.monotonic_ns())
    return 1e6 * (time.process_time() - started) / (times * len(connections) * deep)


def bare_line(deep: int, plain_us: float, audited_us: float) -> str:
    """What an audit costs of each request by itself."""
    return (
        f"{deep:2} at once without sockets: {plain_us:.2f} us a request, {audited_us:.2f} audited, "
        f"{audited_us - plain_us:.2f} more"
    )


# Many devices


@dataclass(frozen=True, slots=True)
class FleetCost:
    """Processor seconds of the same requests without and with audits, and what those keep."""

    devices: int
    requests: int
    plain_s: float
    audited_s: float
    kept_bytes: int
    report_s: float


def measure_fleet(devices: int, rounds: int) -> FleetCost:
    """So many devices in memory, each polled so often by its client, without sockets."""
    folder = load_folder(configs_folder() / "sump_station")
    device = FieldDevice(folder.machine, folder.build_plant())
    row = seats(devices, Seat("127.0.0.1", 20_000, 1), Spread.PORT)
    fleet = FleetService(device, row, MachineClock())
    connections = [
        server.server.connect(Client(f"192.0.2.1:{number}", "192.0.2.1"))
        for number, server in enumerate(fleet.servers)
    ]
    plain_s = _poll_all(connections, rounds)
    tracemalloc.start()
    audit = FieldAudit(folder.machine)
    audit.watch_fleet(fleet)
    _poll_all(connections, rounds)
    kept_bytes, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    audited_s = _poll_all(connections, rounds)
    started = time.process_time()
    report = audit.report()
    report_s = time.process_time() - started
    assert report.requests == 2 * devices * rounds * len(POLLS)
    assert report.findings == ()
    return FleetCost(devices, report.requests, plain_s, audited_s, kept_bytes, report_s)


def _poll_all(connections: list[Connection], rounds: int) -> float:
    """The processor time of the rounds, a second of their clock apart."""
    started = time.process_time()
    for number in range(rounds):
        polls = [encode_frame(2 * number + index, 1, pdu) for index, pdu in enumerate(POLLS)]
        for connection in connections:
            for poll in polls:
                connection.receive(poll, time.monotonic_ns() + number * 1_000_000_000)
    return time.process_time() - started


def fleet_line(cost: FleetCost) -> str:
    """What an audit of many devices costs, by itself and against the requests."""
    return (
        f"{cost.devices} devices without sockets: {cost.audited_s / cost.plain_s - 1:.0%} more "
        f"processor time, {cost.kept_bytes / cost.devices / 1024:.1f} KiB kept of each, a report "
        f"of {cost.requests} requests takes {cost.report_s / cost.plain_s:.2f} times as long as "
        f"{cost.requests // 2} of them did"
    )


if __name__ == "__main__":
    main()
