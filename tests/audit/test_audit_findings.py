"""Every kind of finding has a client that triggers it; a good client triggers none."""

from __future__ import annotations

import struct
from collections.abc import Callable
from random import Random

import pytest
from audit_clients import (
    HOLDING_END,
    MAP_END,
    MS,
    PLACES,
    Bench,
    Hmi,
    S,
    coil,
    good,
    mask,
    put,
    raw,
    read,
    slow_point,
    speed,
)

from softctl.audit import Severity
from softctl.modbus.faults import Faults, Rule, Silence
from softctl.modbus.requests import ReadRequest
from softctl.modbus.server import UnknownUnit
from softctl.values.registers import WordOrder
from softctl.values.tables import Table


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
    assert uses["SPEED"].writes == uses["LATCH"].writes - 1 == 1
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


def silent_unit(hmi: Hmi) -> None:
    hmi.bench.server.unknown_unit = UnknownUnit.SILENCE
    hmi.send(read(4, 0, 1), unit=9)


def wrong_protocol(hmi: Hmi) -> None:
    frame = bytearray(hmi.frame(read(4, 0, 1)))
    frame[3] = 7
    hmi.connection.receive(bytes(frame), hmi.bench.now_ns)


def beside(hmi: Hmi) -> None:
    hmi.send(read(4, PLACES["LT_1"].address + 1, 2))


def a_gap(hmi: Hmi) -> None:
    hmi.send(read(2, 6, 1))


def half_read(hmi: Hmi) -> None:
    hmi.send(read(4, PLACES["LT_1"].address, 1))


def half_write(hmi: Hmi) -> None:
    hmi.send(struct.pack(">BHH", 6, PLACES["SPEED"].address, 7))


def swapped(hmi: Hmi) -> None:
    hmi.send(speed(450.0, WordOrder.ABCD))


def swapped_unseen(hmi: Hmi) -> None:
    hmi.send(put("FREE", raw(450.0, "REAL", WordOrder.ABCD)))


def swapped_count(hmi: Hmi) -> None:
    hmi.send(put("DOSE", raw(250, "DINT", WordOrder.ABCD)))


def whole_for_real(hmi: Hmi) -> None:
    hmi.send(put("SPEED", raw(450, "DINT")))


def whole_unseen(hmi: Hmi) -> None:
    hmi.send(put("FREE", raw(450, "DINT")))


def real_for_whole(hmi: Hmi) -> None:
    hmi.send(put("DOSE", raw(12.34, "REAL")))


def real_for_round_whole(hmi: Hmi) -> None:
    hmi.send(put("DOSE", raw(1_000.25, "REAL")))


def seconds_for_time(hmi: Hmi) -> None:
    hmi.send(put("PAUSE", raw(20.4, "REAL")))


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


def held_bit(hmi: Hmi) -> None:
    hmi.send(mask("LATCH", True))
    hmi.send(read(3, 0, HOLDING_END), after_ns=15 * S)


def still(hmi: Hmi) -> None:
    hmi.bench.auditor.still_for = lambda client, now_ns: 8 * S
    hmi.send(coil(PLACES["START"].address, True))


def fast(hmi: Hmi) -> None:
    for _ in range(10):
        hmi.send(read(4, 0, 1), after_ns=20 * MS)


def slow(hmi: Hmi) -> None:
    for _ in range(6):
        hmi.send(read(4, 0, MAP_END), after_ns=5 * S)


def late_at_times(hmi: Hmi) -> None:
    for turn in range(40):
        hmi.send(read(4, 0, MAP_END), after_ns=S if turn % 10 else 4 * S)


def left_out(hmi: Hmi) -> None:
    for _ in range(3):
        hmi.send(read(4, 0, 2))


def tiny(hmi: Hmi) -> None:
    for _ in range(2):
        for address in (0, 4, 5, 6, 7, 10, 11):
            hmi.send(read(4, address, 1), after_ns=100 * MS)


def constant(hmi: Hmi) -> None:
    for _ in range(6):
        hmi.send(read(4, 0, 1), transaction=1)


def reused(hmi: Hmi) -> None:
    for number in range(12):
        hmi.send(read(4, 0, 1), transaction=number % 3)


def deep(hmi: Hmi) -> None:
    burst = b"".join(hmi.frame(read(4, 0, 1)) for _ in range(17))
    hmi.connection.receive(burst, hmi.bench.now_ns)
    hmi.connection.receive(burst, hmi.bench.now_ns + S)


def retries(hmi: Hmi) -> None:
    for _ in range(5):
        hmi.send(read(4, 900, 2), after_ns=100 * MS)


def retried_writes(hmi: Hmi) -> None:
    for _ in range(5):
        out_of_range(hmi)


def storm(hmi: Hmi) -> None:
    for port in range(6):
        hmi.bench.now_ns += S
        hmi.bench.client(port=6000 + port).close()


def left_open(hmi: Hmi) -> None:
    hmi.bench.now_ns += 61 * S


def deaf(hmi: Hmi) -> None:
    for _ in range(6):
        hmi.send(read(4, PLACES["LT_1"].address, 2))


WITHOUT_A_FRAME = {
    "reconnect storm",
    "connection left open",
    "heartbeat not watched",
    "never read",
}


@pytest.mark.parametrize(
    ("act", "kind", "severity", "words"),
    [
        (off_by_one, "off by one", Severity.ERROR, "the wire counts from 0"),
        (wrong_table, "wrong table", Severity.ERROR, "LT_1 is at input registers 16 (30017)"),
        (outside, "outside the map", Severity.ERROR, "register map"),
        (wrong_function, "wrong function", Severity.ERROR, "use functions"),
        (unknown_unit, "unknown unit", Severity.ERROR, "answers at unit 1"),
        (silent_unit, "unknown unit", Severity.ERROR, "answers at unit 1"),
        (wrong_protocol, "wrong protocol", Severity.ERROR, "leave the protocol identifier 0"),
        (beside, "off by one", Severity.ERROR, "LT_1 is at address 16"),
        (a_gap, "outside the map", Severity.ERROR, "register map"),
        (half_read, "half a value", Severity.ERROR, "2 registers from input registers 16"),
        (half_write, "half a value", Severity.ERROR, "function 16"),
        (swapped, "word order", Severity.ERROR, "set the tag's word order to CDAB"),
        (swapped_unseen, "word order", Severity.WARNING, "set the tag's word order to CDAB"),
        (swapped_count, "word order", Severity.WARNING, "set the tag's word order to CDAB"),
        (whole_for_real, "wrong type", Severity.ERROR, "set the tag's type to REAL"),
        (whole_unseen, "wrong type", Severity.WARNING, "set the tag's type to REAL"),
        (real_for_round_whole, "wrong type", Severity.WARNING, "set the tag's type to DINT"),
        (seconds_for_time, "wrong type", Severity.ERROR, "set the tag's type to TIME"),
        (out_of_range, "out of range", Severity.ERROR, "1 to 50"),
        (read_only, "read-only write", Severity.ERROR, "LT_1 is at input registers"),
        (every_poll, "write on every poll", Severity.WARNING, "on a change only"),
        (held, "command held", Severity.WARNING, "write 0 when the button"),
        (held_bit, "command held", Severity.WARNING, "write 0 when the button"),
        (still, "heartbeat ignored", Severity.WARNING, "lock the entries"),
        (fast, "faster than the scan", Severity.ADVICE, "no faster than the scan"),
        (slow, "slower than required", Severity.WARNING, "shorten"),
        (slow_point, "slower than required", Severity.WARNING, "shorten"),
        (late_at_times, "at times slower", Severity.WARNING, "holds the driver up"),
        (left_out, "never read", Severity.WARNING, "a screen that shows it"),
        (tiny, "many small reads", Severity.ADVICE, "into blocks"),
        (constant, "constant transaction id", Severity.WARNING, "late reply"),
        (reused, "transaction ids reused", Severity.WARNING, "late reply"),
        (deep, "too many outstanding", Severity.WARNING, "at most 16"),
        (retries, "retries after exceptions", Severity.WARNING, "not a lost request"),
        (retried_writes, "retries after exceptions", Severity.WARNING, "not a lost request"),
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
    finding, *_ = [one for one in bench.report().findings if one.kind == kind]
    assert finding.severity is severity
    assert words in finding.advice
    assert finding.client == ("no client" if kind == "never read" else "192.0.2.10:5000")
    if kind not in WITHOUT_A_FRAME:
        head = bytes.fromhex(finding.frame)
        assert head[6] in (1, 9)
        assert len(head) >= 8
    clean = Bench()
    good(clean.client())
    assert kind not in clean.kinds()


def test_silence_on_purpose_is_no_unknown_unit() -> None:
    """A request that a wire fault swallows went to the right place."""
    bench = Bench()
    bench.server.faults = Faults(Random(1), 0, [Rule(Silence())])
    for _ in range(3):
        bench.client().send(read(4, 0, 2))
    assert bench.kinds() == set()


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


def test_what_makes_sense_as_it_is_is_not_suspected() -> None:
    """A real value that is no whole number of hundredths says nothing about a DINT's type."""
    bench = Bench()
    hmi = bench.client()
    real_for_whole(hmi)
    for value in (0, 1, -5, 65_536 * 3 + 7, 2_000_000_000):
        hmi.send(put("DOSE", raw(value, "DINT")))
    for value in (0.0, -0.25, 1e-9, 3e7):
        hmi.send(put("FREE", raw(value, "REAL")))
    assert bench.kinds() == set()


def test_reading_and_writing_in_one_request_counts_as_both() -> None:
    """Function 23 reads a block and writes another; function 22 writes the bits of one."""
    bench = Bench()
    hmi = bench.client()
    place = PLACES["SPEED"].address
    for turn in range(3):
        value = raw(200.0 + turn, "REAL")
        hmi.send(struct.pack(">BHHHHB", 23, 0, HOLDING_END, place, 2, 4) + value)
    hmi.send(mask("LATCH", True))
    uses = {use.point: use for use in bench.report().uses}
    assert (uses["SPEED"].reads, uses["SPEED"].writes, uses["SPEED"].function) == (3, 3, "23")
    assert uses["SPEED"].median_s == 1.0
    assert (uses["LATCH"].reads, uses["LATCH"].writes) == (3, 1)
    assert bench.report().requests == 4


def test_polls_told_together_count_as_those_told_one_by_one() -> None:
    """The same frames, joined and single, to a server that knows them and to one that does not."""
    counts = []
    for is_told_together in (True, False):
        bench = Bench()
        if not is_told_together:
            bench.server.on_polls = None
        for hmi in (bench.client(), bench.client(port=5001)):
            burst = [hmi.frame(read(4, address, 2)) for address in (0, 2, 0)]
            for turn in range(3):
                bench.now_ns = (turn + 1) * S
                hmi.connection.receive(b"".join(burst), bench.now_ns)
        counts.append(
            [
                (
                    (log.requests, log.most_at_once),
                    log.transactions,
                    [(key, one.count, list(one.times)) for key, one in log.reads.items()],
                )
                for log in bench.auditor.logs.values()
            ]
        )
    assert counts[0] == counts[1]
    assert [one[0] for one in counts[0]] == [(9, 3), (9, 3)]


def test_a_mask_that_leaves_a_command_alone_releases_nothing() -> None:
    """Function 22 with the bit kept, after it was set."""
    bench = Bench()
    hmi = bench.client()
    hmi.send(mask("LATCH", True))
    hmi.send(struct.pack(">BHHH", 22, PLACES["LATCH"].address, 0xFFFF, 0))
    bench.now_ns += 15 * S
    assert "command held" in bench.kinds()
    hmi.send(mask("LATCH", False))
    bench.now_ns += 15 * S
    assert "command held" not in bench.kinds()


def test_a_heartbeat_may_pause() -> None:
    """What is entered within five seconds nobody could have known."""
    bench = Bench()
    bench.auditor.still_for = lambda client, now_ns: 4 * S
    bench.client().send(coil(PLACES["START"].address, True))
    assert "heartbeat ignored" not in bench.kinds()


def test_a_burst_stays_known_when_calm_returns() -> None:
    """The most that was open at once counts, not what was open last."""
    bench = Bench()
    hmi = bench.client()
    burst = b"".join(hmi.frame(read(4, 0, 1)) for _ in range(17))
    hmi.connection.receive(burst, S)
    for _ in range(3):
        hmi.send(read(4, 0, 1), after_ns=2 * S)
    assert "too many outstanding" in bench.kinds()


def test_busy_is_worth_another_try() -> None:
    """Exceptions 05 and 06 ask for patience (MAP section 7), so trying again is no fault."""
    bench = Bench()
    hmi = bench.client()
    frame = hmi.frame(read(4, 0, 1))
    request = ReadRequest(4, Table.INPUT_REGISTERS, 0, 1)
    for code, is_fault in ((6, False), (5, False), (4, True)):
        for _ in range(6):
            reply = frame[:4] + b"\0\3\1\x84" + bytes([code])
            bench.auditor.on_request(hmi.client, frame, request, reply)
        assert ("retries after exceptions" in bench.kinds()) is is_fault
        bench.auditor.logs.clear()


def test_a_storm_without_end_fills_no_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """Connections that asked for nothing are forgotten before those that did; both count."""
    monkeypatch.setattr("softctl.audit.observe.KEPT_LOGS", 8)
    bench = Bench()
    first = bench.client()
    first.send(read(4, 0, 2))
    first.close()
    for port in range(6000, 6020):
        bench.now_ns += S
        bench.client(port=port).close()
    logs = bench.auditor.logs
    assert len(logs) == 8
    assert first.client in logs
    assert bench.report().dropped == 13
    assert "reconnect storm" in bench.kinds()


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
