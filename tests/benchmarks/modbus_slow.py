"""What thousands of slow clients do to a good one.

`python tests/benchmarks/modbus_slow.py [CLIENTS [ROUNDS [SECONDS]]]` lets a good client (the C
load generator: one connection, one request at a time) measure its latency with and
without 2,000 slow connections, in turns. A third of them connect and say nothing, a third
send a request one byte every half second, a third ask for much and take no answer. The
server has room for all of them, so that none is turned away to save the good one.
"""

from __future__ import annotations

import importlib.util
import resource
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from modbus_peers import Result, Running, compile_c, load, serving

REQUEST = bytes.fromhex("0001 0000 0006 01 03 0000 007D")
GREED = 400
"""Requests that a client who takes no answer sends at once."""

BYTE_EVERY_S = 0.5
SERVER = "ours on uvloop" if importlib.util.find_spec("uvloop") else "ours"


@dataclass(frozen=True)
class Comparison:
    """The good client's results in turns, and what a slow connection takes of the server."""

    alone: list[Result]
    beside: list[Result]
    kib_each: float

    def p99_us(self) -> tuple[float, float]:
        """Medians of the 99th percentiles: alone, and beside the slow ones."""
        return median(r.p99_us for r in self.alone), median(r.p99_us for r in self.beside)


class SlowClients:
    """Slow connections; `dribble` sends the next byte of those that send bytes singly."""

    def __init__(self, port: int, count: int) -> None:
        self.sockets = [_connect(port) for _ in range(count)]
        self.dribblers = self.sockets[0::3]
        self.greedy = self.sockets[1::3]
        self._sent = 0
        for sock in self.greedy:
            with suppress(BlockingIOError):
                sock.send(REQUEST * GREED)

    def dribble(self) -> None:
        at = self._sent % len(REQUEST)
        for sock in self.dribblers:
            with suppress(BlockingIOError):
                sock.send(REQUEST[at : at + 1])
        self._sent += 1

    def close(self) -> None:
        for sock in self.sockets:
            sock.close()


def _connect(port: int) -> socket.socket:
    sock = socket.socket()
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    sock.connect(("127.0.0.1", port))
    sock.setblocking(False)
    return sock


@contextmanager
def slow_clients(port: int, count: int) -> Iterator[SlowClients]:
    """Slow connections that live and dribble for the length of the block."""
    clients, stop = SlowClients(port, count), threading.Event()

    def dribble() -> None:
        while not stop.wait(BYTE_EVERY_S):
            clients.dribble()

    thread = threading.Thread(target=dribble)
    thread.start()
    try:
        yield clients
    finally:
        stop.set()
        thread.join()
        clients.close()


def compare(directory: Path, count: int, rounds: int, seconds: float) -> Comparison:
    """The good client alone and beside `count` slow ones, in turns."""
    _raise_file_limit(count + 200)
    alone, beside = [], []
    with serving(SERVER, directory, 1000, count + 100) as server:
        load(directory, server, 1, 1, 10, seconds / 4)
        before_kib = _resident_kib(server)
        for _ in range(rounds):
            alone.append(load(directory, server, 1, 1, 10, seconds))
            with slow_clients(server.port, count):
                _settle(server)
                beside.append(load(directory, server, 1, 1, 10, seconds))
                after_kib = _resident_kib(server)
    return Comparison(alone, beside, (after_kib - before_kib) / count)


def _settle(server: Running) -> None:
    """Wait until the greedy have stalled: their burst is a flood, which is not measured here."""
    busy_s = 1.0
    for _ in range(100):
        if busy_s < 0.01:
            break
        before_s = server.cpu_s()
        time.sleep(0.1)
        busy_s = server.cpu_s() - before_s


def _resident_kib(server: Running) -> int:
    status = Path(f"/proc/{server.pid}/status").read_text()
    return int(status.partition("VmRSS:")[2].split()[0])


def _raise_file_limit(files: int) -> None:
    """Servers inherit it."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft < files:
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(files, hard), hard))


def main() -> None:
    given = [float(text) for text in sys.argv[1:]]
    count, rounds, seconds = given + [2000, 7, 0.5][len(given) :]
    with tempfile.TemporaryDirectory() as directory:
        compile_c(Path(directory))
        comparison = compare(Path(directory), int(count), int(rounds), seconds)
    alone_us, beside_us = comparison.p99_us()
    for name, results in (("alone", comparison.alone), ("beside", comparison.beside)):
        print(
            f"{name:8}{median(r.per_second for r in results):8.0f} req/s, median latency "
            f"{median(r.median_us for r in results):.0f} us, 99th percentile of each round "
            + ", ".join(f"{r.p99_us:.0f}" for r in results)
        )
    print(
        f"99th percentile beside {count:.0f} slow connections: {beside_us / alone_us:.2f} x; "
        f"server memory for each: {comparison.kib_each:.1f} KiB; wrong or missing replies: "
        f"{sum(r.errors + r.unanswered for r in (*comparison.alone, *comparison.beside))}"
    )


if __name__ == "__main__":
    main()
