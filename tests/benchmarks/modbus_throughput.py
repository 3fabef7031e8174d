"""Requests per second of our Modbus/TCP server beside its peers, in one run.

`python tests/benchmarks/modbus_throughput.py [SECONDS]` prints a table: each server under
the same C load generator, as a ratio to the stock pymodbus server and to a C server on
libmodbus. Figures of one machine mean little; the ratios within one run are the result.
"""

from __future__ import annotations

import importlib.util
import math
import sys
import tempfile
from pathlib import Path

from modbus_peers import C_SERVER, PYTHON_SERVERS, Result, compile_c, load, serving

LOADS = {
    "1 connection, 10 registers": (1, 1, 10),
    "32 connections, 10 registers": (32, 1, 10),
    "16 deep, 10 registers": (1, 16, 10),
    "1 connection, 125 registers": (1, 1, 125),
    "32 connections, 125 registers": (32, 1, 125),
    "16 deep, 125 registers": (1, 16, 125),
}
"""Name of a load -> connections, requests in flight on each, registers a request."""

STOCK = "stock pymodbus"


def servers() -> list[str]:
    """The servers to compare; uvloop where it is installed."""
    has_uvloop = importlib.util.find_spec("uvloop") is not None
    return [
        *(name for name in PYTHON_SERVERS if has_uvloop or "uvloop" not in name),
        C_SERVER,
    ]


def measure(directory: Path, seconds: float) -> dict[str, dict[str, Result]]:
    """Every load on every server: load -> server -> result."""
    results: dict[str, dict[str, Result]] = {name: {} for name in LOADS}
    for name, (connections, depth, registers) in LOADS.items():
        for server in servers():
            with serving(server, directory, 1000) as running:
                load(directory, running, connections, depth, registers, seconds / 10)
                results[name][server] = load(
                    directory, running, connections, depth, registers, seconds
                )
    return results


def table(results: dict[str, dict[str, Result]]) -> str:
    """The results as text: replies per second and processor time, with ratios to the peers."""
    head = (
        f"{'load':31}{'server':16}{'req/s':>8}{'/stock':>7}{'/C':>6}"
        f"{'p99 us':>8}{'cpu us':>8}{'stock/':>8}{'C/':>6}  remarks"
    )
    lines = [head, "-" * len(head)]
    for name, row in results.items():
        stock, c_server = row[STOCK], row[C_SERVER]
        for server, result in row.items():
            lines.append(
                f"{name:31}{server:16}{result.per_second:8.0f}"
                f"{_ratio(result.per_second, stock.per_second):7.2f}"
                f"{_ratio(result.per_second, c_server.per_second):6.2f}"
                f"{result.p99_us:8.0f}{result.cpu_us:8.2f}"
                f"{_ratio(stock.cpu_us, result.cpu_us):8.2f}"
                f"{_ratio(c_server.cpu_us, result.cpu_us):6.2f}"
                f"{_remarks(result)}"
            )
    return "\n".join(lines)


def _ratio(figure: float, to: float) -> float:
    """A server that lost everything in a short run has neither rate nor processor time."""
    return figure / to if to else math.nan


def _remarks(result: Result) -> str:
    remarks = []
    if result.errors:
        remarks.append(f"{result.errors} wrong replies")
    if result.unanswered:
        remarks.append(f"{result.unanswered} never answered")
    return "  " + ", ".join(remarks) if remarks else ""


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 2.0
    with tempfile.TemporaryDirectory() as directory:
        compile_c(Path(directory))
        print(table(measure(Path(directory), seconds)))


if __name__ == "__main__":
    main()
