"""Every kind of finding has a client that triggers it; a good client triggers none."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest

from softctl.audit import Auditor, AuditReport, Severity, make_report
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
  TT_1: {card: AI_1, unit: degC, range: [0, 100], wired: T_1.temperature}
  LSH_1: {card: DI_1, wired: T_1.high}
  START: {role: command}
  HAND: {role: command, hold: true}
  SPEED: {role: setpoint, type: REAL, unit: rpm, range: [100, 900]}
  COUNT: {role: setpoint, type: INT, range: [1, 50], initial: 5}
""",
    "machine.yaml",
)
PLACES = {name: point.hmi for name, point in MACHINE.points.items() if point.hmi}
MAP_END = max(p.end for p in PLACES.values() if p.table is Table.INPUT_REGISTERS)


class Bench:
    """A server with an audit, and clients that send frames at times that a test sets."""

    def __init__(self) -> None:
        self.now_ns = 0
        hmi = HmiMap(MACHINE)
        self.auditor = Auditor(lambda: self.now_ns)
        self.server = Server(
            [Device(hmi.bank, 1, write_check=hmi.check_write)], on_request=self.auditor.on_request
        )

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


def speed(value: float, order: WordOrder = WordOrder.CDAB) -> bytes:
    return write_registers(PLACES["SPEED"].address, encode(value, ELEMENTARY_TYPES["REAL"], order))


def good(hmi: Hmi) -> None:
    """Reads everything in blocks each second, writes once, releases what it holds."""
    for turn in range(8):
        hmi.send(read(4, 0, MAP_END), after_ns=S)
        hmi.send(read(2, 0, 9), after_ns=10 * MS)
        hmi.send(read(1, 0, 2), after_ns=10 * MS)
        hmi.send(read(3, 0, 3), after_ns=10 * MS)
        if turn == 3:
            hmi.send(speed(450.0), after_ns=10 * MS)
            hmi.send(coil(PLACES["HAND"].address, True), after_ns=10 * MS)
        if turn == 4:
            hmi.send(coil(PLACES["HAND"].address, False), after_ns=10 * MS)


def test_a_good_client_gets_a_clean_report() -> None:
    """No finding at all, every point used, intervals as they were."""
    bench = Bench()
    good(bench.client())
    report = bench.report()
    assert report.findings == ()
    assert report.is_clean
    assert report.coverage == 1.0
    uses = {use.point: use for use in report.uses}
    level = uses["LT_1"]
    assert (level.reads, level.writes, level.function, level.verdict) == (8, 0, "04", "used")
    assert level.median_s == pytest.approx(1.03, abs=0.03)
    assert uses["SPEED"].writes == 1
    assert level.required_s == 2.0


def off_by_one(hmi: Hmi) -> None:
    hmi.send(read(4, MAP_END - 1, 2))


def wrong_table(hmi: Hmi) -> None:
    hmi.send(read(3, PLACES["LT_1"].address, 2))


def outside(hmi: Hmi) -> None:
    hmi.send(read(4, 900, 2))


def wrong_function(hmi: Hmi) -> None:
    hmi.send(bytes([0x41, 1, 2]))


def unknown_unit(hmi: Hmi) -> None:
    hmi.send(read(4, 0, 1), unit=9)


def half_read(hmi: Hmi) -> None:
    hmi.send(read(4, PLACES["LT_1"].address, 1))


def half_write(hmi: Hmi) -> None:
    hmi.send(struct.pack(">BHH", 6, PLACES["SPEED"].address, 7))


def swapped(hmi: Hmi) -> None:
    hmi.send(speed(450.0, WordOrder.ABCD))


def out_of_range(hmi: Hmi) -> None:
    hmi.send(struct.pack(">BHH", 6, PLACES["COUNT"].address, 51))


def read_only(hmi: Hmi) -> None:
    hmi.send(struct.pack(">BHH", 6, PLACES["LT_1"].address, 1))


def every_poll(hmi: Hmi) -> None:
    for _ in range(7):
        hmi.send(speed(450.0))


def held(hmi: Hmi) -> None:
    hmi.send(coil(PLACES["HAND"].address, True))
    hmi.send(read(1, 0, 2), after_ns=15 * S)


def fast(hmi: Hmi) -> None:
    for _ in range(10):
        hmi.send(read(4, 0, 1), after_ns=20 * MS)


def slow(hmi: Hmi) -> None:
    for _ in range(6):
        hmi.send(read(4, 0, MAP_END), after_ns=5 * S)


def tiny(hmi: Hmi) -> None:
    for _ in range(2):
        for address in (0, 4, 5, 6, 7, 10, 11):
            hmi.send(read(4, address, 1), after_ns=100 * MS)


def constant(hmi: Hmi) -> None:
    for _ in range(6):
        hmi.send(read(4, 0, 1), transaction=1)


def deep(hmi: Hmi) -> None:
    burst = b"".join(hmi.frame(read(4, 0, 1)) for _ in range(17))
    hmi.connection.receive(burst, hmi.bench.now_ns)
    hmi.connection.receive(burst, hmi.bench.now_ns + S)


def retries(hmi: Hmi) -> None:
    for _ in range(5):
        hmi.send(read(4, 900, 2), after_ns=100 * MS)


def storm(hmi: Hmi) -> None:
    for port in range(6):
        hmi.bench.now_ns += S
        hmi.bench.client(port=6000 + port).close()


def left_open(hmi: Hmi) -> None:
    hmi.bench.now_ns += 61 * S


def deaf(hmi: Hmi) -> None:
    for _ in range(6):
        hmi.send(read(4, PLACES["LT_1"].address, 2))


@pytest.mark.parametrize(
    ("act", "kind", "severity", "words"),
    [
        (off_by_one, "off by one", Severity.ERROR, "the wire counts from 0"),
        (wrong_table, "wrong table", Severity.ERROR, "LT_1 is at input registers 16 (30017)"),
        (outside, "outside the map", Severity.ERROR, "register map"),
        (wrong_function, "wrong function", Severity.ERROR, "use functions"),
        (unknown_unit, "unknown unit", Severity.ERROR, "answers at unit 1"),
        (half_read, "half a value", Severity.ERROR, "2 registers from input registers 16"),
        (half_write, "half a value", Severity.ERROR, "function 16"),
        (swapped, "word order", Severity.ERROR, "set the tag's word order to CDAB"),
        (out_of_range, "out of range", Severity.ERROR, "1 to 50"),
        (read_only, "read-only write", Severity.ERROR, "LT_1 is at input registers"),
        (every_poll, "write on every poll", Severity.WARNING, "on a change only"),
        (held, "command held", Severity.WARNING, "write 0 when the button"),
        (fast, "faster than the scan", Severity.ADVICE, "no faster than the scan"),
        (slow, "slower than required", Severity.WARNING, "shorten"),
        (tiny, "many small reads", Severity.ADVICE, "into blocks"),
        (constant, "constant transaction id", Severity.WARNING, "late reply"),
        (deep, "too many outstanding", Severity.WARNING, "at most 16"),
        (retries, "retries after exceptions", Severity.WARNING, "not a lost request"),
        (storm, "reconnect storm", Severity.WARNING, "keep one connection"),
        (left_open, "connection left open", Severity.WARNING, "close what is not used"),
        (deaf, "heartbeat not watched", Severity.WARNING, "HEARTBEAT does not change"),
    ],
)
def test_each_mistake_is_found_with_evidence_and_advice(
    act: Callable[[Hmi], None], kind: str, severity: Severity, words: str
) -> None:
    """The finding names its client, when it was and the frame; a good client has none."""
    bench = Bench()
    act(bench.client())
    (finding,) = [one for one in bench.report().findings if one.kind == kind]
    assert finding.severity is severity
    assert words in finding.advice
    assert finding.client.startswith("192.0.2.10:5000")
    if kind not in ("reconnect storm", "connection left open", "heartbeat not watched"):
        head = bytes.fromhex(finding.frame)
        assert head[6] in (1, 9)
        assert len(head) >= 8
    clean = Bench()
    good(clean.client())
    assert kind not in clean.kinds()


def test_the_one_based_number_used_as_an_address_is_recognised() -> None:
    """A client that reads each value one place too far is told so, not that it is lost."""
    bench = Bench()
    hmi = bench.client()
    last = max(
        (p for p in PLACES.values() if p.table is Table.HOLDING_REGISTERS), key=lambda p: p.end
    )
    hmi.send(read(3, last.address + 1, last.count))
    (finding,) = [one for one in bench.report().findings if one.kind == "off by one"]
    assert f"is at address {last.address}" in finding.advice


def test_a_read_only_client_that_never_writes_is_not_blamed_for_it() -> None:
    """Coverage counts what was read; commands that nobody gave are listed as unused."""
    bench = Bench()
    hmi = bench.client()
    for _ in range(3):
        hmi.send(read(4, 0, MAP_END))
    report = bench.report()
    assert "START" in report.unused
    assert "LT_1" in report.used
    assert 0 < report.coverage < 1
    assert all(one.kind != "heartbeat not watched" for one in report.findings)


def test_the_same_finding_of_one_host_is_told_once() -> None:
    """Two connections with the same mistake are one HMI with one mistake."""
    bench = Bench()
    for port in (5000, 5001):
        outside(bench.client(port=port))
    assert len([one for one in bench.report().findings if one.kind == "outside the map"]) == 1
    outside(bench.client(host="192.0.2.11"))
    assert len([one for one in bench.report().findings if one.kind == "outside the map"]) == 2


def test_nobody_there_is_a_report_too() -> None:
    """No client: nothing used, no findings, nothing divided by zero."""
    report = Bench().report()
    assert (report.requests, report.findings, report.coverage) == (0, (), 0.0)


def test_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """A client that invents requests without end fills no memory; what is dropped is counted."""
    monkeypatch.setattr("softctl.audit.observe.KEPT_STREAMS", 10)
    monkeypatch.setattr("softctl.audit.observe.KEPT_EVENTS", 10)
    bench = Bench()
    hmi = bench.client()
    for number in range(20):
        hmi.send(read(4, 0, 1 + number % 16), unit=1)
        hmi.send(read(4, 2_000 + number, 1))
        hmi.send(speed(100.0 + number))
    log = next(iter(bench.auditor.logs.values()))
    assert (len(log.reads), len(log.refused), len(log.writes)) == (10, 10, 10)
    assert bench.report().dropped == log.dropped > 20
