"""A server with an audit, and clients that send it frames; one of them a good HMI."""

from __future__ import annotations

import struct

from softctl.audit import Auditor, AuditReport, make_report
from softctl.control.hmi import HmiMap
from softctl.machine import parse_machine
from softctl.modbus.clients import Client
from softctl.modbus.device import Device
from softctl.modbus.server import Server
from softctl.values.registers import WordOrder, encode
from softctl.values.tables import Table
from softctl.values.types import ELEMENTARY_TYPES

S = 1_000_000_000
MS = 1_000_000
MACHINE = parse_machine(
    """
name: mixer
programs: [main.st]
control: {scan: 50 ms}
hmi: {port: 15021, unit: 1, word_order: CDAB, refresh: 2 s}
cards: {AI_1: {kind: analog input, channels: 8}, DI_1: {kind: digital input, channels: 8}}
points:
  LT_1: {card: AI_1, unit: m, range: [0, 2], wired: T_1.level}
  TT_1: {card: AI_1, unit: degC, range: [0, 100], wired: T_1.temperature, refresh: 1500 ms}
  LSH_1: {card: DI_1, wired: T_1.high}
  START: {role: command}
  HAND: {role: command, hold: true}
  SPEED: {role: setpoint, type: REAL, unit: rpm, range: [100, 900]}
  COUNT: {role: setpoint, type: INT, range: [1, 50], initial: 5}
  FREE: {role: setpoint, type: REAL}
  DOSE: {role: setpoint, type: DINT}
  PAUSE: {role: setpoint, type: TIME, range: [1 s, 60 s], initial: 5 s}
  LATCH: {role: command, hold: true, in_register: ORDERS}
""",
    "machine.yaml",
)
PLACES = {name: point.hmi for name, point in MACHINE.points.items() if point.hmi}
MAP_END = max(p.end for p in PLACES.values() if p.table is Table.INPUT_REGISTERS)
HOLDING_END = max(p.end for p in PLACES.values() if p.table is Table.HOLDING_REGISTERS)


class Bench:
    """A server with an audit, and clients that send frames at times that a test sets."""

    def __init__(self, **kept: int) -> None:
        self.now_ns = 0
        hmi = HmiMap(MACHINE)
        self.auditor = Auditor(lambda: self.now_ns, **kept)
        self.server = Server(
            [Device(hmi.bank, 1, write_check=hmi.check_write)], on_request=self.auditor.on_request
        )
        self.server.on_polls = self.auditor.on_polls

    def client(self, host: str = "192.0.2.10", port: int = 5000) -> Hmi:
        return Hmi(self, Client(f"{host}:{port}", host))

    def report(self) -> AuditReport:
        return make_report(MACHINE, list(self.auditor.logs.values()), 0, self.now_ns)

    def kinds(self) -> set[str]:
        return {finding.kind for finding in self.report().findings}


class Hmi:
    """One connection."""

    def __init__(self, bench: Bench, client: Client) -> None:
        self.bench = bench
        self.client = client
        self.connection = bench.server.connect(client)
        self.transaction = 0
        bench.auditor.opened(client)

    def frame(self, pdu: bytes, unit: int = 1, transaction: int | None = None) -> bytes:
        self.transaction += 1
        number = self.transaction if transaction is None else transaction
        return struct.pack(">HHHB", number, 0, len(pdu) + 1, unit) + pdu

    def send(self, pdu: bytes, *, after_ns: int = S, unit: int = 1, transaction=None) -> None:
        self.bench.now_ns += after_ns
        self.connection.receive(self.frame(pdu, unit, transaction), self.bench.now_ns)

    def close(self) -> None:
        self.bench.auditor.closed(self.client)


def read(function: int, address: int, count: int) -> bytes:
    return struct.pack(">BHH", function, address, count)


def write_registers(address: int, raw: bytes) -> bytes:
    return struct.pack(">BHHB", 16, address, len(raw) // 2, len(raw)) + raw


def coil(address: int, value: bool) -> bytes:
    return struct.pack(">BHH", 5, address, 0xFF00 if value else 0)


def put(name: str, raw: bytes) -> bytes:
    return write_registers(PLACES[name].address, raw)


def raw(value: float, type_: str, order: WordOrder = WordOrder.CDAB) -> bytes:
    return encode(value, ELEMENTARY_TYPES[type_], order)


def speed(value: float, order: WordOrder = WordOrder.CDAB) -> bytes:
    return put("SPEED", raw(value, "REAL", order))


def mask(name: str, value: bool) -> bytes:
    """Function 22 that sets or clears one bit of a register."""
    place = PLACES[name]
    assert place.bit is not None
    bit = 1 << place.bit
    return struct.pack(">BHHH", 22, place.address, 0xFFFF & ~bit, bit if value else 0)


def good(hmi: Hmi) -> None:
    """Reads everything in blocks each second, writes once, releases what it holds."""
    for turn in range(8):
        hmi.send(read(4, 0, MAP_END), after_ns=S)
        hmi.send(read(2, 0, 9), after_ns=10 * MS)
        hmi.send(read(1, 0, 2), after_ns=10 * MS)
        hmi.send(read(3, 0, HOLDING_END), after_ns=10 * MS)
        if turn == 3:
            hmi.send(speed(450.0), after_ns=10 * MS)
            hmi.send(put("FREE", raw(0.5, "REAL")), after_ns=10 * MS)
            hmi.send(put("DOSE", raw(250_000, "DINT")), after_ns=10 * MS)
            hmi.send(put("PAUSE", raw(20 * S, "TIME")), after_ns=10 * MS)
            hmi.send(mask("LATCH", True), after_ns=10 * MS)
            hmi.send(coil(PLACES["HAND"].address, True), after_ns=10 * MS)
        if turn == 4:
            hmi.send(mask("LATCH", False), after_ns=10 * MS)
            hmi.send(coil(PLACES["HAND"].address, False), after_ns=10 * MS)


def slow_point(hmi: Hmi) -> None:
    """Polls within the server's refresh and not within that of TT_1."""
    for _ in range(6):
        hmi.send(read(4, 0, MAP_END), after_ns=1800 * MS)
