"""What a bridge costs the scan: 1,000 points that all change ten times a second.

    python tests/benchmarks/mqtt_load.py [SECONDS [realtime]]

A controller with a scan of 10 ms, without a bridge, and with one to a Mosquitto in another
process: a JSON topic for each point, all that changed in one JSON message, Sparkplug, and
with a broker that is not there. All runs are of one process, one after the other. Told are
the lateness of the scans and their overruns, the processor time of the whole process, both
also as ratios to the run without a bridge, and what was published. `realtime` asks the
kernel (as root, on Linux) to let controller and broker go before all other work.
"""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from demo_scan import RecordingStatistics, quantile

from softctl.control import Controller
from softctl.journal import UnkeptJournal
from softctl.logic import Source
from softctl.machine import parse_machine
from softctl.runtime.clock import MachineClock
from softctl.runtime.control_service import ControlService
from softctl.runtime.event_feed import EventFeed
from softctl.runtime.folder import compile_programs
from softctl.runtime.loop import run_loop, settle_memory
from softctl.runtime.mqtt_local import local_bridge
from softctl.runtime.mqtt_settings import Access

POINTS = 1_000
NOWHERE = 1
KINDS = {
    "no bridge": "",
    "a JSON topic each": "json: {}",
    "JSON together": "json: {layout: together}",
    "Sparkplug": "sparkplug: {group: load}",
}
SHARES = (0.5, 0.9, 0.99, 1.0)


def machine_text(kind: str, port: int) -> str:
    """A thousand states, of which each interval finds all changed."""
    lines = ["name: load", "programs: [load.st]", "control: {scan: 10 ms, fail_safe_after: 500 ms}"]
    lines += ["points:", *(f"  W{n}: {{role: state, type: INT}}" for n in range(POINTS))]
    lines.append(f"mqtt: {{port: {port}, interval: 100 ms, {kind or 'json: {}'}}}")
    return "\n".join(lines) + "\n"


def program_text() -> str:
    """Every point gets another value in every scan."""
    lines = ["PROGRAM Load VAR n : INT; END_VAR", "n := (n + 1) MOD 10000;"]
    return "\n".join([*lines, *(f"W{n} := n + {n};" for n in range(POINTS)), "END_PROGRAM\n"])


@dataclass(frozen=True, slots=True)
class Run:
    """Lateness of scans in microseconds; per second processor time, values and messages."""

    late: list[float]
    overruns: int
    processor_s: float
    values: float
    messages: float
    dropped: int

    @property
    def overrun_share(self) -> float:
        """Of all releases."""
        return self.overruns / max(1, len(self.late) + self.overruns)


async def run(kind: str, port: int, seconds: float) -> Run:
    """The controller for so long, with its bridge if `kind` names one."""
    machine = parse_machine(machine_text(kind, port), "load.yaml")
    application = compile_programs(machine, [Source("load.st", program_text())])
    journal = UnkeptJournal()
    feed = EventFeed(journal, machine.points)
    service = ControlService(Controller(machine, application), MachineClock(), journal=journal)
    assert machine.mqtt is not None
    bridge = local_bridge(service, feed, machine.mqtt, Access(machine.mqtt.broker))
    await service.start("127.0.0.1", 0, ("127.0.0.1", NOWHERE))
    session = bridge.connections[0].session
    if kind:
        bridge.start()
        await _until_connected(bridge.connections[0].session.counters, port)
    settle_memory()
    await asyncio.sleep(0.5)
    statistics = service.controller.statistics = RecordingStatistics()
    counters = session.counters
    sent, dropped, began = counters.sent, counters.dropped_values, time.process_time()
    await asyncio.sleep(seconds)
    processor_s = (time.process_time() - began) / seconds
    dropped, sent = counters.dropped_values - dropped, counters.sent - sent
    late = list(statistics.samples.late)
    overruns = statistics.overruns
    await bridge.close()
    await service.close()
    values = max(0.0, 10 * POINTS - dropped / seconds) if sent else 0.0
    return Run(late, overruns, processor_s, values, sent / seconds, dropped)


async def _until_connected(counters: object, port: int) -> None:
    deadline = time.monotonic() + 30
    while port != NOWHERE and not getattr(counters, "connections", 0):
        assert time.monotonic() < deadline, "no broker"
        await asyncio.sleep(0.05)


@contextmanager
def mosquitto(program: str) -> Iterator[int]:
    """A broker on a free port."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "mosquitto.conf"
        config.write_text(f"user root\nlistener {port} 127.0.0.1\nallow_anonymous true\n")
        quiet = subprocess.DEVNULL
        with subprocess.Popen([program, "-c", str(config)], stdout=quiet, stderr=quiet) as broker:
            try:
                yield port
            finally:
                broker.kill()


def measure(program: str, seconds: float) -> dict[str, Run]:
    """All runs, one after the other."""
    with mosquitto(program) as port:
        runs = {name: run_loop(run(kind, port, seconds)) for name, kind in KINDS.items()}
    runs["broker not there"] = run_loop(run(KINDS["a JSON topic each"], NOWHERE, seconds))
    return runs


def main() -> None:
    """Print each run, and its ratios to the one without a bridge."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    program = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin")
    assert program is not None, "needs mosquitto"
    if sys.argv[2:] == ["realtime"]:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(2))
    runs = measure(program, seconds)
    alone = runs["no bridge"]
    head = "".join(f"{f'{100 * share:g} %':>9}" for share in SHARES)
    print(f"{'lateness in us':<20}{head}  overruns  processor  values/s  messages/s")
    for name, one in runs.items():
        row = "".join(f"{quantile(one.late, share):9.0f}" for share in SHARES)
        print(
            f"{name:<20}{row}  {100 * one.overrun_share:6.2f} %  {100 * one.processor_s:7.1f} %"
            f"  {one.values:8.0f}  {one.messages:10.0f}"
        )
        ratios = (quantile(one.late, s) / max(1.0, quantile(alone.late, s)) for s in SHARES)
        row = "".join(f"{ratio:9.2f}" for ratio in ratios)
        print(f"{'  ratio':<20}{row}  {'':8}  {one.processor_s / alone.processor_s:9.2f}")


if __name__ == "__main__":
    main()
