"""A real HMI server with an audit in this process, on a clock that a test moves."""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Iterator
from random import Random

from softctl.audit import Auditor, AuditReport, make_report
from softctl.control.hmi import HmiMap
from softctl.machine import Machine, parse_machine
from softctl.modbus.device import Device
from softctl.modbus.faults import Faults
from softctl.modbus.server import Server
from softctl.runtime.auditing import still_for
from softctl.runtime.modbus_server import ModbusServer

S = 1_000_000_000
MACHINE = parse_machine(
    """
name: mixer
programs: [main.st]
control: {scan: 50 ms}
hmi: {port: 0, unit: 1, word_order: CDAB, refresh: 2 s}
cards: {AI_1: {kind: analog input, channels: 8}, DI_1: {kind: digital input, channels: 8}}
points:
  LT_1: {card: AI_1, unit: m, range: [0, 2], wired: T_1.level, refresh: 1500 ms}
  TT_1: {card: AI_1, unit: degC, range: [0, 100], wired: T_1.temperature}
  LSH_1: {card: DI_1, wired: T_1.high}
  START: {role: command}
  HAND: {role: command, hold: true}
  SPEED: {role: setpoint, type: REAL, unit: rpm, range: [100, 900]}
  COUNT: {role: setpoint, type: INT, range: [1, 50], initial: 5}
  DOSE: {role: setpoint, type: DINT}
""",
    "machine.yaml",
)


class Audited:
    """The server, its audit and its clock; requests come when a test says so."""

    def __init__(self, machine: Machine = MACHINE) -> None:
        self.machine = machine
        self.now_ns = S
        self.port = 0
        self.faults = Faults(Random(1))
        self.auditor = Auditor(self._clock)
        self.auditor.still_for = still_for(self.faults, machine)
        hmi = HmiMap(machine)
        device = Device(hmi.bank, 1, write_check=hmi.check_write)
        self.server = ModbusServer(Server([device], faults=self.faults), clock_ns=self._clock)
        self.server.observe(self.auditor)

    def _clock(self) -> int:
        return self.now_ns

    def later(self, seconds: float) -> None:
        """Let the clock go on."""
        self.now_ns += round(seconds * S)

    def wait_for(self, opened: int = 0, connected: int | None = None) -> None:
        """Until so many connections were opened, and so many are left."""
        end_s = time.monotonic() + 10
        while len(self.auditor.logs) < opened or self.server.connections != (
            self.server.connections if connected is None else connected
        ):
            assert time.monotonic() < end_s, "a connection was not seen"
            time.sleep(0.002)

    def report(self) -> AuditReport:
        return make_report(self.machine, list(self.auditor.logs.values()), S, self.now_ns)

    def kinds(self) -> set[str]:
        return {finding.kind for finding in self.report().findings}


@contextlib.contextmanager
def audited() -> Iterator[Audited]:
    """Serve in a thread of its own for as long as the block lasts."""
    one, loop = Audited(), asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    try:
        _, one.port = asyncio.run_coroutine_threadsafe(one.server.start(), loop).result(10)
        yield one
    finally:
        asyncio.run_coroutine_threadsafe(one.server.close(), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()
