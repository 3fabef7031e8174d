"""The journal: what is written is read again, also after a kill and on a full disk."""

from __future__ import annotations

import csv
import json
import os
import resource
import signal
import sqlite3
import time
from collections.abc import Callable
from dataclasses import astuple, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from softctl.errors import Place, SoftctlError
from softctl.journal import Entry, JournalWriter, Recorder, Sample
from softctl.journal.reader import (
    ENTRY_HEAD,
    JournalReader,
    Wanted,
    entry_row,
    utc_text,
    write_csv,
    write_parquet,
)
from softctl.machine import Point, Role
from softctl.values.types import ELEMENTARY_TYPES

S = 1_000_000_000


def entry(number: int, kind: str = "alarm", name: str = "LAH_101") -> Entry:
    return Entry(number * S, number, kind, name, "raised", "10.0.0.9:5", {"value": number / 4})


def read(path: Path, wanted: Wanted | None = None) -> list[Entry]:
    reader = JournalReader(path)
    try:
        return list(reader.entries(wanted or Wanted()))
    finally:
        reader.close()


def test_entries_and_samples_come_back_as_they_were(tmp_path: Path) -> None:
    """Order, times, details and the types of values are kept."""
    path = tmp_path / "deep" / "journal.sqlite"
    writer = JournalWriter(path)
    entries = [entry(1), entry(2, "guard", "ONE_WAY"), entry(3, "command", "START")]
    samples = [Sample(S, 1, "LT_101", 0.25), Sample(S, 1, "STEP", 3), Sample(S, 1, "TEXT", "ä")]
    for one in entries:
        writer.note(one)
    writer.sample(samples)
    assert writer.flush()
    assert read(path) == entries
    reader = JournalReader(path)
    assert list(reader.samples(Wanted())) == samples
    assert list(reader.samples(Wanted(names=("lt_101",)))) == samples[:1]
    reader.close()
    writer.close()


@pytest.mark.parametrize(
    ("wanted", "numbers"),
    [
        (Wanted(kinds=("guard",)), [2]),
        (Wanted(names=("start", "ONE_WAY")), [2, 3]),
        (Wanted(since_ns=2 * S), [2, 3]),
        (Wanted(until_ns=2 * S), [1]),
        (Wanted(kinds=("alarm",), since_ns=2 * S), []),
    ],
)
def test_filters_let_through_what_is_wanted(
    tmp_path: Path, wanted: Wanted, numbers: list[int]
) -> None:
    """Kind, name and time, alone and together; the end of a time is outside."""
    writer = JournalWriter(tmp_path / "journal")
    for one in (entry(1), entry(2, "guard", "ONE_WAY"), entry(3, "command", "START")):
        writer.note(one)
    writer.close()
    assert [one.machine_ns for one in read(tmp_path / "journal", wanted)] == numbers


def test_what_was_flushed_survives_a_kill(tmp_path: Path) -> None:
    """kill -9 right after `flush` returned loses no entry, twenty times over."""
    path = tmp_path / "journal"
    JournalWriter(path).close()
    for round_ in range(20):
        told, tell = os.pipe()
        child = os.fork()
        if child == 0:
            writer = JournalWriter(path)
            for number in range(5):
                writer.note(entry(round_ * 5 + number))
            if writer.flush():
                os.write(tell, b"x")
            time.sleep(10)
            os._exit(0)
        assert os.read(told, 1) == b"x"
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(told)
        os.close(tell)
    assert [one.machine_ns for one in read(path)] == list(range(100))


def test_what_was_noted_survives_a_kill_at_once(tmp_path: Path) -> None:
    """kill -9 right after `note` returned, before anything is committed: once, in order."""
    path = tmp_path / "journal"
    for round_ in range(10):
        told, tell = os.pipe()
        child = os.fork()
        if child == 0:
            writer = JournalWriter(path)
            for number in range(20):
                writer.note(entry(round_ * 20 + number))
            os.write(tell, b"x")
            time.sleep(0.005 * round_)
            os.kill(os.getpid(), signal.SIGKILL)
        assert os.read(told, 1) == b"x"
        os.waitpid(child, 0)
        os.close(told)
        os.close(tell)
    JournalWriter(path).close()
    assert [one.machine_ns for one in read(path)] == list(range(200))


def test_a_torn_last_line_of_the_spool_is_left_out(tmp_path: Path) -> None:
    """What was being written when the process died was told to nobody."""
    path = tmp_path / "journal"
    JournalWriter(path).close()
    whole = [1, *astuple(entry(1))]
    torn = json.dumps([2, *astuple(entry(2))])[:30]
    (tmp_path / "journal-spool").write_text(f"{json.dumps(whole)}\n{torn}", encoding="utf-8")
    JournalWriter(path).close()
    assert read(path) == [entry(1)]
    assert (tmp_path / "journal-spool").stat().st_size == 0


def test_a_locked_journal_is_told_and_written_later(tmp_path: Path) -> None:
    """Entries noted while nothing can be written are there once it can be again."""
    path = tmp_path / "journal"
    writer = JournalWriter(path)
    blocker = sqlite3.connect(path, isolation_level=None, timeout=0)
    blocker.execute("BEGIN EXCLUSIVE")
    writer.note(entry(1))
    assert not writer.flush(0.3)
    wait_for(lambda: "locked" in writer.trouble)
    writer.note(entry(2))
    blocker.execute("COMMIT")
    assert writer.flush(20)
    assert writer.trouble == ""
    assert [one.machine_ns for one in read(path)] == [1, 2]
    writer.close()
    blocker.close()


def test_a_full_disk_is_told_and_nothing_is_lost(tmp_path: Path) -> None:
    """A limit on the size of files stands for the disk; lifting it makes room again."""
    path = tmp_path / "journal"
    child = os.fork()
    if child == 0:
        os._exit(_fill_a_disk(path))
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    assert [one.machine_ns for one in read(path)] == list(range(400))


def _fill_a_disk(path: Path) -> int:
    """What the child does; 0 when all was as it should be."""
    try:
        writer = JournalWriter(path)
        _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, hard))
        for number in range(400):
            writer.note(replace(entry(number), source="x" * 1_000))
        wait_for(lambda: writer.trouble != "")
        resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
        is_whole = writer.flush(20) and not writer.trouble and not writer.dropped
        writer.close()
    except BaseException:
        return 2
    return 0 if is_whole else 1


def wait_for(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 20
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def test_a_full_queue_drops_samples_before_entries(tmp_path: Path) -> None:
    """What does not fit is counted, and entries have room of their own."""
    path = tmp_path / "journal"
    writer = JournalWriter(path)
    blocker = sqlite3.connect(path, isolation_level=None, timeout=0)
    blocker.execute("BEGIN EXCLUSIVE")
    writer.note(entry(0))
    writer.sample(Sample(S, 1, "P", number) for number in range(30_000))
    dropped = writer.dropped
    assert 7_000 <= dropped <= 12_001
    for number in range(1, 1_000):
        writer.note(entry(number))
    assert writer.dropped == dropped
    blocker.execute("COMMIT")
    blocker.close()
    writer.close(30)
    assert len(read(path)) == 1_000


def test_what_waits_for_another_try_is_written_at_the_end(tmp_path: Path) -> None:
    """A journal that is closed between two tries tries once more, and writes the rest too."""
    path = tmp_path / "journal"
    writer = JournalWriter(path)
    blocker = sqlite3.connect(path, isolation_level=None, timeout=0)
    blocker.execute("BEGIN EXCLUSIVE")
    writer.note(entry(0))
    while not writer.trouble:
        time.sleep(0.005)
    writer.sample(Sample(S, 1, "P", number) for number in range(3_000))
    blocker.execute("COMMIT")
    blocker.close()
    writer.close(30)
    with sqlite3.connect(path) as database:
        assert database.execute("SELECT count(*) FROM samples").fetchone() == (3_000,)
    database.close()
    assert len(read(path)) == 1


def test_another_file_is_refused(tmp_path: Path) -> None:
    """A missing journal and a file that is none are told apart."""
    with pytest.raises(SoftctlError, match=r"expected a journal at .*, got none"):
        JournalReader(tmp_path / "journal")
    (tmp_path / "journal").write_text("no database at all, but long enough" * 90)
    with pytest.raises(SoftctlError, match="expected a journal, got something else"):
        JournalReader(tmp_path / "journal")
    with pytest.raises(SoftctlError, match="cannot write the journal"):
        JournalWriter(tmp_path / "journal")


def test_exports_hold_every_row(tmp_path: Path) -> None:
    """CSV by RFC 4180 and Parquet, read again by the csv module and pyarrow."""
    from pyarrow import parquet

    entries = [entry(1, name='with "quotes", comma'), entry(2)]
    rows = [tuple(map(str, entry_row(one))) for one in entries]
    assert write_csv(tmp_path / "a.csv", ENTRY_HEAD, map(entry_row, entries)) == 2
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as file:
        assert [tuple(row) for row in csv.reader(file)] == [ENTRY_HEAD, *rows]
    assert write_parquet(tmp_path / "a.parquet", ENTRY_HEAD, map(entry_row, entries)) == 2
    table = parquet.read_table(tmp_path / "a.parquet").to_pylist()
    assert [tuple(map(str, row.values())) for row in table] == rows
    assert write_parquet(tmp_path / "b.parquet", ENTRY_HEAD, iter(())) == 0
    with pytest.raises(SoftctlError, match="cannot write"):
        write_csv(tmp_path / "none" / "a.csv", ENTRY_HEAD, iter(()))


def test_times_are_utc_by_iso_8601() -> None:
    """DT#1984-06-25-15:36:55.36 is 457 025 815.36 s after 1970 (IEC 61131-3, table 9)."""
    assert utc_text(457_025_815_360_000_000) == "1984-06-25T15:36:55.360Z"


LEVEL = Point(
    "LT", Role.INPUT, ELEMENTARY_TYPES["REAL"], Place("x"), low=0.0, high=2.0, initial=0.0
)
SWITCH = Point("LS", Role.INPUT, ELEMENTARY_TYPES["BOOL"], Place("x"))


@given(st.lists(st.floats(0, 2), min_size=1, max_size=80))
def test_a_line_through_the_samples_stays_within_the_deadband(values: list[float]) -> None:
    """Between two samples every value is within 0.5 % of range of the one before or after."""
    recorder = Recorder([LEVEL])
    kept: dict[int, float] = {}
    for at_ns, value in enumerate(values):
        for sample in recorder.take([value], at_ns, at_ns):
            assert isinstance(sample.value, float)
            kept[sample.wall_ns] = sample.value
    assert kept[0] == values[0]
    last = values[0]
    for at_ns, value in enumerate(values):
        last = kept.get(at_ns, last)
        assert abs(value - last) <= 0.01 + 1e-12


def test_a_switch_is_noted_at_each_change_and_a_still_value_once_a_minute() -> None:
    """Two-state values have no deadband; what stands still is shown to be alive."""
    recorder = Recorder([SWITCH, LEVEL])
    count = 0
    for second in range(121):
        taken = list(recorder.take([second >= 100, 1.0], second * S, second * S))
        count += len([sample for sample in taken if sample.point == "LT"])
        changed = [sample.value for sample in taken if sample.point == "LS"]
        if second == 100:
            assert changed == [False, True]
    assert count == 1 + 2 * 2
