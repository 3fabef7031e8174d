"""Requests per second of our Modbus/TCP server beside its peers, in one run.

`python tests/benchmarks/modbus_throughput.py [SECONDS [ROUNDS [pin]]]` prints a table: each
server under the same C load generator, as a ratio to the stock pymodbus server and to a C
server on libmodbus. The servers take turns, ROUNDS times; each shows its best round, since
whatever else the machine does only slows a server down. Figures of one machine mean
little; the ratios within one run are the result.

Where a server and the load generator share a processor, the rate is one over the sum of
both costs, so that ratios of rates shrink towards one however fast a server is: read the
processor time per request beside them. "kernel alone" answers without looking and bounds
what any server can reach here. `pin` gives the servers processor 0 and the load
generator processor 1.
"""

from __future__ import annotations

import importlib.util
import sys
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

import modbus_peers
from modbus_peers import C_SERVER, FLOOR, PYTHON_SERVERS, STOCK, Result, compile_c, load, serving

LOADS = {
    "1 connection, 10 registers": (1, 1, 10),
    "32 connections, 10 registers": (32, 1, 10),
    "16 deep, 10 registers": (1, 16, 10),
    "1 connection, 125 registers": (1, 1, 125),
    "32 connections, 125 registers": (32, 1, 125),
    "16 deep, 125 registers": (1, 16, 125),
}
"""Name of a load -> connections, requests in flight on each, registers a request."""

Rounds = dict[str, dict[str, list[Result]]]
"""Load -> server -> its rounds."""


def servers() -> list[str]:
    """The servers to compare; uvloop where it is installed."""
    has_uvloop = importlib.util.find_spec("uvloop") is not None
    return [
        *(name for name in PYTHON_SERVERS if has_uvloop or "uvloop" not in name),
        C_SERVER,
        FLOOR,
    ]


def measure(directory: Path, seconds: float, rounds: int = 1) -> Rounds:
    """Every load on every server, in turns, after a warm-up."""
    results: Rounds = {name: {server: [] for server in servers()} for name in LOADS}
    with ExitStack() as stack:
        running = {
            server: stack.enter_context(serving(server, directory, 1000)) for server in servers()
        }
        for name, numbers in LOADS.items():
            for process in running.values():
                load(directory, process, *numbers, seconds / 4)
            for _ in range(rounds):
                for server, process in running.items():
                    results[name][server].append(load(directory, process, *numbers, seconds))
    return results


def table(results: Rounds) -> str:
    """The best rounds as text: rates and processor times, with ratios to the peers."""
    head = (
        f"{'load':30}{'server':25}{'req/s':>8}{'/stock':>7}{'/C':>6}{'p99 us':>8}"
        f"{'cpu us':>8}{'stock/':>7}{'C/':>6}{'kernel':>8}{'load us':>9}  remarks"
    )
    lines = [head, "-" * len(head)]
    for name, row in results.items():
        for server, rounds in row.items():
            rate, cpu_us = _rate(rounds), _cpu_us(rounds)
            lines.append(
                f"{name:30}{server:25}{rate:8.0f}"
                f"{rate / _rate(row[STOCK]):7.2f}{rate / _rate(row[C_SERVER]):6.2f}"
                f"{min(result.p99_us for result in rounds):8.0f}{cpu_us:8.2f}"
                f"{_cpu_us(row[STOCK]) / cpu_us:7.2f}{_cpu_us(row[C_SERVER]) / cpu_us:6.2f}"
                f"{sum(result.kernel_share for result in rounds) / len(rounds):8.0%}"
                f"{min(result.load_cpu_us for result in rounds):9.2f}"
                f"{_remarks(rounds)}"
            )
    return "\n".join(lines)


def _rate(rounds: Sequence[Result]) -> float:
    return max(result.per_second for result in rounds)


def _cpu_us(rounds: Sequence[Result]) -> float:
    return min(result.cpu_us for result in rounds)


def _remarks(rounds: Sequence[Result]) -> str:
    errors = sum(result.errors for result in rounds)
    unanswered = max(result.unanswered for result in rounds)
    remarks = [f"{errors} wrong replies"] if errors else []
    if unanswered:
        remarks.append(f"{unanswered} never answered")
    return "  " + ", ".join(remarks) if remarks else ""


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 0.4
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 6
    modbus_peers.PINNED = sys.argv[3:] == ["pin"]
    with tempfile.TemporaryDirectory() as directory:
        compile_c(Path(directory))
        print(table(measure(Path(directory), seconds, rounds)))


if __name__ == "__main__":
    main()
