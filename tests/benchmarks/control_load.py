"""Punctuality of a controller under load, next to a bare loop and to itself without clients.

    python tests/benchmarks/control_load.py [SECONDS [CLIENTS [realtime]]]

1,000 points, a scan of 10 ms, and (20) HMI clients that each read every point ten times a
second. The clients and the field are in another process, over loopback TCP; the controller,
the bare loop and the run without clients share this one, one after the other. `realtime`
asks the kernel (as root, on Linux) to let both processes go before everything else that the
machine does, so that the figures are the controller's and not those of other work.

Each run also tells what a full collection of garbage costs, before and after
`settle_memory`: it would be the worst scan's extra time.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import struct
import subprocess
import sys
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass

from demo_scan import RecordingStatistics, bare, quantile

from softctl.control import Controller
from softctl.field import FieldDevice
from softctl.logic import Source
from softctl.machine import Machine, parse_machine
from softctl.plant import build_plant
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.field_service import FieldService
from softctl.runtime.folder import compile_programs
from softctl.runtime.loop import run_loop, settle_memory

PERIOD_NS = 10_000_000
POLL_S = 0.1
DIGITAL, ANALOG, WORDS, FLAGS = 256, 128, 200, 160
POINTS = 2 * DIGITAL + ANALOG + WORDS + FLAGS
_REQUEST = struct.Struct(">HHHBBHH")


def machine_text() -> str:
    """1,000 points: inputs and outputs on cards, and states."""
    lines = ["name: load", "programs: [load.st]", "control: {scan: 10 ms, fail_safe_after: 500 ms}"]
    lines.append("cards:")
    for kind, name, channels, count in (
        ("digital input", "DI", 32, DIGITAL // 32),
        ("digital output", "DO", 32, DIGITAL // 32),
        ("analog input", "AI", 8, ANALOG // 8),
    ):
        lines += [f"  {name}_{n}: {{kind: {kind}, channels: {channels}}}" for n in range(count)]
    lines.append("points:")
    lines += [f"  I{n}: {{card: DI_{n // 32}}}" for n in range(DIGITAL)]
    lines += [f"  Q{n}: {{card: DO_{n // 32}, fail_safe: false}}" for n in range(DIGITAL)]
    lines += [f"  A{n}: {{card: AI_{n // 8}, unit: m, range: [0, 2]}}" for n in range(ANALOG)]
    lines += [f"  W{n}: {{role: state, type: INT}}" for n in range(WORDS)]
    lines += [f"  F{n}: {{role: state, type: BOOL}}" for n in range(FLAGS)]
    return "\n".join(lines) + "\n"


def program_text() -> str:
    """Every output and state gets a value of its own in every scan."""
    lines = ["PROGRAM Load VAR n : INT; END_VAR", "n := (n + 1) MOD 1000;"]
    lines += [f"Q{n} := I{n} XOR (n MOD {n % 7 + 2} = 0);" for n in range(DIGITAL)]
    lines += [f"F{n} := A{n % ANALOG} > 1.0 OR Q{n};" for n in range(FLAGS)]
    lines += [f"W{n} := n + {n};" for n in range(WORDS)]
    return "\n".join([*lines, "END_PROGRAM"]) + "\n"


@dataclass(frozen=True, slots=True)
class Run:
    """One run: how late its scans were and how long they took, in microseconds."""

    late: list[float]
    took: list[float]
    overruns: int
    polls: int = 0
    collections: int = 0
    full_us: tuple[float, float] = (0.0, 0.0)

    @property
    def overrun_share(self) -> float:
        """Of all releases."""
        return self.overruns / max(1, len(self.late) + self.overruns)


def _collections() -> int:
    return sum(int(generation["collections"]) for generation in gc.get_stats())


def _full_us() -> float:
    """The processor time of one full collection."""
    began = time.thread_time()
    gc.collect()
    return (time.thread_time() - began) * 1e6


def _go_first(priority: int) -> None:
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(priority))


# The other process: field and clients


async def _client(port: int, coils: int, registers: int, number: int, counts: list[int]) -> None:
    """Read every point, ten times a second, one request after the other."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    spans = [(2, 0, coils)]
    spans += [(4, at, min(125, registers - at)) for at in range(0, registers, 125)]
    due = time.monotonic() + POLL_S * number / 20
    with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
        for transaction in range(1 << 16):
            for function, first, count in spans:
                writer.write(_REQUEST.pack(transaction, 0, 6, 1, function, first, count))
                head = await reader.readexactly(6)
                echoed, _, length = struct.unpack(">HHH", head)
                body = await reader.readexactly(length)
                assert (echoed, body[1]) == (transaction, function), (head, body)
            counts[0] += 1
            due = max(due + POLL_S, time.monotonic())
            await asyncio.sleep(due - time.monotonic())


async def outside() -> None:
    """Serve the field, then poll at the port that standard input tells, until it ends."""
    machine = parse_machine(machine_text(), "load.yaml")
    field = FieldService(FieldDevice(machine, build_plant(machine)), MachineClock())
    _, port = await field.start("127.0.0.1", 0)
    print(port, flush=True)
    hmi, count, coils, registers = map(int, (await asyncio.to_thread(sys.stdin.readline)).split())
    counts = [0]
    clients = [
        asyncio.create_task(_client(hmi, coils, registers, number, counts))
        for number in range(count)
    ]
    await asyncio.to_thread(sys.stdin.readline)
    for client in clients:
        client.cancel()
    await asyncio.gather(*clients, return_exceptions=True)
    print(counts[0], flush=True)
    await field.close()


# This process


@contextlib.asynccontextmanager
async def _outside() -> AsyncIterator[subprocess.Popen[str]]:
    command = [sys.executable, __file__, "outside"]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True, env=environment) as other:
        try:
            yield other
        finally:
            other.kill()


async def loaded(seconds: float, clients: int, tuned: bool) -> Run:
    """The controller with so many clients, its memory settled or not."""
    machine = parse_machine(machine_text(), "load.yaml")
    application = compile_programs(machine, [Source("load.st", program_text())])
    controller = Controller(machine, application)
    service = ControlService(controller, MachineClock())
    async with _outside() as other:
        assert other.stdin is not None
        assert other.stdout is not None
        port = int(await asyncio.to_thread(other.stdout.readline))
        _, hmi = await service.start("127.0.0.1", 0, ("127.0.0.1", port))
        sizes = " ".join(map(str, _sizes(machine)))
        print(hmi, clients, sizes, file=other.stdin, flush=True)
        await _until_settled(controller, clients)
        thresholds = gc.get_threshold()
        if tuned:
            settle_memory()
            await asyncio.sleep(0.2)  # that was itself a pause
        before = _collections()
        statistics = controller.statistics = RecordingStatistics()
        await asyncio.sleep(seconds)
        late, took = list(statistics.samples.late), list(statistics.samples.took)
        overruns, collections = statistics.overruns, _collections() - before
        gc.unfreeze()
        plain = _full_us()
        settle_memory()
        full = (plain, _full_us())
        gc.unfreeze()
        gc.set_threshold(*thresholds)
        print("end", file=other.stdin, flush=True)
        polls = int(await asyncio.to_thread(other.stdout.readline))
        await service.close()
    return Run(late, took, overruns, polls, collections, full)


async def _until_settled(controller: Controller, clients: int) -> None:
    deadline = time.monotonic() + 60
    while not controller.link_healthy or controller.clients < clients:
        assert time.monotonic() < deadline, "no field or no clients"
        await asyncio.sleep(0.05)
    await asyncio.sleep(0.5)


def _sizes(machine: Machine) -> tuple[int, int]:
    """How many discrete inputs and input registers the HMI map has."""
    places = [p.hmi for p in machine.points.values() if p.hmi is not None]
    ends = {
        table: max(p.end for p in places if p.table is table) for table in {p.table for p in places}
    }
    by_name = {table.name: end for table, end in ends.items()}
    return by_name["DISCRETE_INPUTS"], by_name["INPUT_REGISTERS"]


async def idle(seconds: float) -> Run:
    """A loop of the same period that does nothing."""
    late = await bare(seconds, PERIOD_NS)
    return Run(late, [0.0] * len(late), 0)


def measure(seconds: float, clients: int) -> dict[str, Run]:
    """All four runs, one after the other."""
    return {
        "bare loop": run_loop(idle(seconds)),
        "no clients": run_loop(loaded(seconds, 0, True)),
        f"{clients} clients": run_loop(loaded(seconds, clients, True)),
        f"{clients} clients, collector as it is": run_loop(loaded(seconds, clients, False)),
    }


SHARES = (0.5, 0.9, 0.99, 0.999, 1.0)


def main() -> None:
    """Print the distributions, and each run's ratio to the bare loop."""
    if sys.argv[1:] == ["outside"]:
        if os.sched_getscheduler(0) == os.SCHED_FIFO:
            _go_first(1)
        run_loop(outside())
        return
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    clients = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    if sys.argv[3:] == ["realtime"]:
        _go_first(2)
    runs = measure(seconds, clients)
    print(f"{POINTS} points, load of the machine (1 min): {os.getloadavg()[0]:.1f}")
    head = "".join(f"{f'{100 * share:g} %':>9}" for share in SHARES)
    print(f"{'lateness in us':<34}{head}  below 2 ms  overruns")
    nothing = runs["bare loop"]
    for name, run in runs.items():
        row = "".join(f"{quantile(run.late, share):9.0f}" for share in SHARES)
        early = sum(late < 2_000 for late in run.late) / len(run.late)
        print(f"{name:<34}{row}  {100 * early:8.2f} %  {100 * run.overrun_share:6.2f} %")
        ratios = [quantile(run.late, s) / max(1.0, quantile(nothing.late, s)) for s in SHARES]
        print(f"{'  against the bare loop':<34}{''.join(f'{ratio:9.2f}' for ratio in ratios)}")
        if run is not nothing:
            plain, settled = run.full_us
            print(
                f"  scan {quantile(run.took, 0.5):.0f} us (median), {run.polls} polls, "
                f"{run.collections} collections; a full one {plain:.0f} and {settled:.0f} us"
            )


if __name__ == "__main__":
    main()
