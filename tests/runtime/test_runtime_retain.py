"""RETAIN values over restarts, kills included."""

from __future__ import annotations

import mmap
import os
import random
import signal
import time
from pathlib import Path

import pytest

from softctl.control import Controller
from softctl.control.retain import Retained
from softctl.errors import SoftctlError
from softctl.logic import Instance, Source, compile_application
from softctl.machine import parse_machine
from softctl.runtime.folder import compile_programs
from softctl.runtime.retain_file import RetainFile
from softctl.runtime.state import StateKeeper

PROGRAM = """
PROGRAM Main
VAR RETAIN
    count : UDINT;
    twice : UDINT;
    text : STRING[400];
    share : REAL;
    timer : TON;
END_VAR
VAR fleeting : UDINT; END_VAR
fleeting := fleeting + 1;
count := count + 1;
twice := 2 * count;
share := UDINT_TO_REAL(count) / 3.0;
text := CONCAT('batch ', UDINT_TO_STRING(count));
timer(IN := TRUE, PT := T#1h);
END_PROGRAM
"""
APPLICATION = compile_application([Source("main.st", PROGRAM)])


def start(path: Path) -> tuple[Instance, Retained, RetainFile]:
    """A warm start."""
    instance = APPLICATION.instantiate()
    retained = Retained(APPLICATION, instance)
    file = RetainFile(path)
    saved = file.load()
    if saved is not None:
        assert retained.load(saved).lost == ()
    return instance, retained, file


def scan_and_save(instance: Instance, retained: Retained, file: RetainFile, now_ns: int) -> None:
    instance.scan(now_ns)
    saved = retained.changed()
    assert saved is not None
    file.save(saved)


def test_a_warm_start_brings_back_what_is_retain_and_nothing_else(tmp_path: Path) -> None:
    """RETAIN variables go on where they were, blocks included; the others start anew."""
    instance, retained, file = start(tmp_path / "state")
    for scan in range(5):
        scan_and_save(instance, retained, file, scan * 10**9)
    file.close()
    again, _, _ = start(tmp_path / "state")
    wanted = ("Main.count", "Main.twice", "Main.text", "Main.share", "Main.timer.ET")
    assert [again.read(path) for path in wanted] == [instance.read(path) for path in wanted]
    assert again.read("Main.timer.ET") == 4 * 10**9
    assert again.read("Main.fleeting") == 0


def test_nothing_is_written_while_nothing_changes(tmp_path: Path) -> None:
    """`changed` gives bytes only for a change."""
    instance = APPLICATION.instantiate()
    retained = Retained(APPLICATION, instance)
    assert retained.changed() is not None
    assert retained.changed() is None
    instance.scan(0)
    assert retained.changed() is not None


def test_a_changed_program_gets_what_still_fits() -> None:
    """A variable with another type, or that is gone, is reported and starts anew."""
    instance = APPLICATION.instantiate()
    instance.scan(0)
    saved = Retained(APPLICATION, instance).changed()
    assert saved is not None
    changed = (
        PROGRAM.replace("count : UDINT", "count : UDINT; more : INT")
        .replace("share : REAL", "share : LREAL")
        .replace("UDINT_TO_REAL", "UDINT_TO_LREAL")
    )
    other = compile_application([Source("main.st", changed)])
    fresh = other.instantiate()
    warm = Retained(other, fresh).load(saved)
    assert warm.lost == ("Main.share",)
    assert fresh.read("Main.count") == 1
    assert fresh.read("Main.share") == 0.0


@pytest.mark.parametrize("raw", [b"", b"something else", b"softctl1" + bytes(400)])
def test_a_file_that_holds_nothing_whole_is_no_state(tmp_path: Path, raw: bytes) -> None:
    """Another file is refused with what to do; a torn one of ours is a cold start."""
    path = tmp_path / "state"
    path.write_bytes(raw)
    if raw.startswith(b"softctl1"):
        assert RetainFile(path).load() is None
    else:
        with pytest.raises(SoftctlError, match="move it away"):
            RetainFile(path).load()
    with pytest.raises(SoftctlError, match="expected saved RETAIN values"):
        Retained(APPLICATION, APPLICATION.instantiate()).load(raw)


def test_a_state_that_outgrows_its_file_moves_to_a_larger_one(tmp_path: Path) -> None:
    """Contents of any length alternate and the last one is found again."""
    file = RetainFile(tmp_path / "state")
    for length in (10, 20_000, 3, 200_000, 0):
        content = bytes(length % 251 for _ in range(length))
        file.save(content)
        assert RetainFile(tmp_path / "state").load() == content
    assert sorted(path.name for path in tmp_path.iterdir()) == ["state"]


def test_a_torn_slot_leaves_the_one_before(tmp_path: Path) -> None:
    """Whichever byte of the last slot is wrong, the state before it is read."""
    path = tmp_path / "state"
    file = RetainFile(path)
    file.save(b"first one")
    file.save(b"second one")
    raw = path.read_bytes()
    last = raw.rindex(b"second one")
    for index in range(last - 16, last + len(b"second one")):
        torn = bytearray(raw)
        torn[index] ^= 0x10
        path.write_bytes(torn)
        assert RetainFile(path).load() == b"first one"


def test_a_directory_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    """The message names the file and the reason."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(SoftctlError, match=r"cannot write .*file/state: \w+"):
        RetainFile(tmp_path / "file" / "state").save(b"x")


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_two_hundred_kills_lose_no_scan_and_tear_no_value(tmp_path: Path) -> None:
    """After kill -9 at random instants the values are those of one scan, the last or next.

    The child says in shared memory which scan it is about to save and which it has saved:
    what is found must be the saved one or the one that was on its way. A kill waits for some
    scans of its child, so that a busy computer makes the test slower and nothing else.
    """
    path = tmp_path / "state"
    draw = random.Random(20)
    marks = _SharedMarks()
    least = 0
    for _ in range(200):
        least += draw.randrange(20)
        child = os.fork()
        if child == 0:
            _run_until_killed(path, marks)
        while marks.read()[1] < least:
            assert os.waitpid(child, os.WNOHANG) == (0, 0), "the child ended by itself"
            time.sleep(0.0005)
        time.sleep(draw.uniform(0.0, 0.002))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        instance, _, _ = start(path)
        count = instance.read("Main.count")
        begun, saved = marks.read()
        assert least <= saved <= count <= begun
        assert instance.read("Main.twice") == 2 * count
        if count:
            assert instance.read("Main.text") == f"batch {count}"
        least = count
    assert count > 1_000


class _SharedMarks:
    """Two counters that survive the child."""

    def __init__(self) -> None:
        self._memory = mmap.mmap(-1, 16)

    def note(self, index: int, value: int) -> None:
        self._memory[8 * index : 8 * index + 8] = value.to_bytes(8, "little")

    def read(self) -> tuple[int, int]:
        raw = bytes(self._memory)
        return int.from_bytes(raw[:8], "little"), int.from_bytes(raw[8:], "little")


def _run_until_killed(path: Path, marks: _SharedMarks) -> None:
    instance, retained, file = start(path)
    try:
        while True:
            marks.note(0, instance.read("Main.count") + 1)
            scan_and_save(instance, retained, file, 0)
            marks.note(1, instance.read("Main.count"))
    finally:
        os._exit(1)


def test_a_state_that_cannot_be_saved_is_told_and_tried_again(tmp_path: Path) -> None:
    """Control goes on; the next change that can be written ends the trouble."""
    machine = parse_machine("name: m\nprograms: [main.st]\n", "machine.yaml")
    controller = Controller(machine, compile_programs(machine, [Source("main.st", PROGRAM)]))
    (tmp_path / "state").write_text("", encoding="utf-8")
    keeper = StateKeeper(controller, tmp_path / "state")
    controller.scan(0)
    keeper.save()
    assert "cannot write" in keeper.trouble
    (tmp_path / "state").unlink()
    controller.scan(1)
    keeper.save()
    assert keeper.trouble == ""
    assert RetainFile(tmp_path / "state" / "retain").load() is not None
