"""Campaigns: draws, runs, findings and the shortest trial for each."""

from __future__ import annotations

import multiprocessing
import socket
import statistics
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from softctl.cli import main
from softctl.errors import ProblemsError, SoftctlError
from softctl.runtime.campaigns import (
    Outcome,
    Run,
    find_campaigns,
    run_campaign,
    runs_a_task,
)
from softctl.runtime.folder import load_folder
from softctl.runtime.trials import load_trials, run_trials, surroundings
from softctl.trial.campaign import parse_campaigns
from softctl.trial.draws import drawn
from softctl.trial.shrinking import smallest

MACHINE = """\
name: drawn
title: A machine for campaigns
description: No equipment at all
species: []
control: {scan: 50 ms, fail_safe_after: 500 ms}
plant: {step: 50 ms, seed: 7}
field: {host: 127.0.0.1, port: 15020, unit: 1, word_order: ABCD}
hmi: {host: 127.0.0.1, port: 15021, unit: 1, word_order: CDAB}
programs: [main.st]
cards:
  DO_1: {kind: digital output, channels: 8, order_code: X, description: outputs}
equipment: {}
points:
  LAMP: {card: DO_1, fail_safe: false, description: A lamp}
  GO: {role: command, description: Go}
  KEY: {role: command, description: Key}
  NOISE: {role: command, description: Changes nothing}
  BOUND: {role: setpoint, type: INT, initial: 9, range: [0, 9], description: A limit}
"""
# KEY after GO lights the lamp, which must never be.
PROGRAM = """\
PROGRAM Main
VAR armed : BOOL; END_VAR
IF GO THEN armed := TRUE; END_IF;
IF armed AND KEY AND BOUND > 3 THEN LAMP := TRUE; END_IF;
END_PROGRAM
"""
CAMPAIGN = """\
about: Somebody presses buttons
campaigns:
  pressing:
    text: Buttons in any order
    given: {set: {BOUND: {between: [0, 9]}}}
    throughout:
      - never: LAMP
        text: The lamp stays dark
    duration: 20 s
    events:
      - command: GO
        chance: 60 %
        at: {between: [0 s, 20 s]}
      - command: KEY
        chance: 0.6
        at: {between: [0 ms, 20 s]}
      - command: NOISE
        every: {about: 1 s}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "machine.yaml").write_text(MACHINE)
    (tmp_path / "main.st").write_text(PROGRAM)
    (tmp_path / "campaigns").mkdir()
    (tmp_path / "campaigns" / "a.yaml").write_text(CAMPAIGN)
    return tmp_path


def test_a_finding_is_shrunk_to_what_it_needs(folder: Path) -> None:
    """Of many presses two are left, the set point is drawn no more, and the trial fails alone."""
    (where,) = find_campaigns(folder, ())
    runs: list[int] = []
    outcome = run_campaign(
        folder, where, runs=30, seed=5, workers=1, on_run=lambda run: runs.append(run.number)
    )
    assert runs == list(range(30))
    (finding,) = outcome.findings
    assert finding.failure == "The lamp stays dark"
    assert 0 < len(finding.runs) < 30
    assert finding.rows == 2
    assert "NOISE" not in finding.trial
    assert "given" not in finding.trial
    (folder / "trials").mkdir()
    (folder / "trials" / "found.yaml").write_text(finding.trial)
    trials = load_trials(load_folder(folder))
    (result,) = run_trials(trials, trials.choose(()), lambda _: None).results
    assert result.failed
    assert [deed.what for deed in result.deeds if "command" in deed.what] == [
        "command GO",
        "command KEY",
    ]


def test_the_same_seed_finds_the_same_with_any_number_of_workers(folder: Path) -> None:
    """Findings and their trials are equal to the letter; another seed draws other runs."""
    (where,) = find_campaigns(folder, ("pressing",))
    one, two, other = (
        run_campaign(folder, where, runs=24, seed=seed, workers=workers, on_run=lambda _: None)
        for seed, workers in ((5, 1), (5, 2), (6, 1))
    )
    assert one.findings == two.findings
    assert one.simulated_s == two.simulated_s
    assert other.findings != one.findings


@pytest.mark.parametrize(
    ("runs", "workers", "expected"),
    [(24, 2, 1), (1, 2, 1), (64, 2, 4), (10_000, 2, 8), (100, 16, 1)],
)
def test_the_last_worker_does_not_keep_the_others_waiting(
    runs: int, workers: int, expected: int
) -> None:
    """Each worker gets its runs in at least eight portions, or one by one."""
    assert runs_a_task(runs, workers) == expected


def test_a_process_with_threads_is_not_forked(folder: Path) -> None:
    """Its workers begin anew and find the same; on Linux one without threads hands itself on."""
    (where,) = find_campaigns(folder, ("pressing",))
    methods: list[str] = []

    def note(_: Run) -> None:
        methods.extend(type(child).__name__ for child in multiprocessing.active_children())

    def run() -> Outcome:
        return run_campaign(folder, where, runs=4, seed=5, workers=2, on_run=note)

    may_fork = sys.platform == "linux" and threading.active_count() == 1
    alone, first = run(), set(methods)
    methods.clear()
    done = threading.Event()
    thread = threading.Thread(target=done.wait)
    thread.start()
    try:
        beside = run()
    finally:
        done.set()
        thread.join()
    assert alone.findings == beside.findings
    assert set(methods) == {"SpawnProcess"}
    assert first == {"ForkProcess" if may_fork else "SpawnProcess"}


@pytest.fixture
def cluster() -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A Dask scheduler and two worker processes, on loopback."""
    pytest.importorskip("distributed")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    dask = [sys.executable, "-m", "dask"]
    at_home = ["--host", "127.0.0.1", "--no-dashboard"]
    alone = ["--nthreads", "1", "--no-nanny"]
    commands = [
        [*dask, "scheduler", *at_home, "--port", str(port)],
        *[[*dask, "worker", address, *at_home, *alone]] * 2,
    ]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    processes = [subprocess.Popen(command, **quiet) for command in commands]
    try:
        yield address, processes[1:]
    finally:
        for process in processes:
            process.kill()
            process.wait()


@pytest.mark.network
@pytest.mark.filterwarnings("ignore")
def test_dask_workers_lose_and_double_nothing(
    folder: Path, cluster: tuple[str, list[subprocess.Popen[bytes]]]
) -> None:
    """With one of two workers killed on the way every run counts once, and finds the same."""
    from distributed import Client

    address, workers = cluster
    with Client(address, timeout=60) as client:
        client.wait_for_workers(2, timeout=120)
    (where,) = find_campaigns(folder, ())
    seen: list[int] = []

    def note(run: Run) -> None:
        if not seen:
            workers[0].kill()
        seen.append(run.number)

    spread = run_campaign(folder, where, runs=64, seed=5, workers=1, on_run=note, scheduler=address)
    assert sorted(seen) == list(range(64))
    alone = run_campaign(folder, where, runs=64, seed=5, workers=1, on_run=lambda _: None)
    assert spread.findings == alone.findings
    assert spread.simulated_s == pytest.approx(alone.simulated_s)


def test_a_scheduler_that_is_not_there_is_told(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wrong address is an error with words of ours."""
    pytest.importorskip("distributed")
    (where,) = find_campaigns(folder, ())
    with pytest.raises(SoftctlError, match="expected a Dask scheduler at nowhere"):
        run_campaign(
            folder,
            where,
            runs=1,
            seed=1,
            workers=1,
            on_run=lambda _: None,
            scheduler="nowhere://127.0.0.1:1",
        )


def test_the_command_writes_a_trial_for_each_finding(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 1, the finding on the screen, the trial in a file."""
    options = ["--runs", "20", "--seed", "5", "--workers", "1", "--found", str(folder / "found")]
    monkeypatch.setattr("sys.argv", ["softctl", "campaign", str(folder), *options])
    with pytest.raises(SystemExit) as caught:
        main()
    assert caught.value.code == 1
    out = capsys.readouterr().out
    assert "of 20 runs: The lamp stays dark" in out
    (path,) = (folder / "found").glob("*.yaml")
    assert str(path) in out


def test_nothing_found_is_exit_code_0(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A program that is right passes every run."""
    (folder / "main.st").write_text(PROGRAM.replace("LAMP := TRUE", "LAMP := FALSE"))
    monkeypatch.setattr(
        "sys.argv", ["softctl", "campaign", str(folder), "--runs", "10", "--workers", "1"]
    )
    with pytest.raises(SystemExit) as caught:
        main()
    assert not caught.value.code
    assert "nothing went wrong" in capsys.readouterr().out


BROKEN = {
    "key": ("duration: 20 s", "durations: 20 s", "did you mean duration?"),
    "no duration": ("    duration: 20 s\n", "", "'duration'"),
    "waiting": ("- command: NOISE", "- expect: LAMP", "does something"),
    "chance": ("60 %", "160 %", "0 % to 100 %"),
    "name": ("command: GO", "command: GOO", "did you mean GO?"),
    "both times": ("every: {about: 1 s}", "every: {about: 1 s}\n        at: 2 s", "got both"),
    "units": ("[0 ms, 20 s]", "[0 mm, 20 s]", "a time such as"),
    "values": ("[0 ms, 20 s]", "[0 ms]", "[low, high]"),
    "range": ("between: [0, 9]", "between: [10, 19]", "0 to 9"),
    "condition": ("never: LAMP", "never: LAMPS", "did you mean LAMP?"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_mistake_is_told_at_its_place(name: str, folder: Path) -> None:
    """Every event is tried once before the first run, whatever its chance."""
    before, after, words = BROKEN[name]
    assert before in CAMPAIGN
    around = surroundings(load_folder(folder))
    with pytest.raises(ProblemsError) as caught:
        parse_campaigns(CAMPAIGN.replace(before, after), "c.yaml", around)
    assert words in str(caught.value)
    assert all(problem.place.line for problem in caught.value.problems)


@pytest.mark.parametrize(
    ("draw", "mean", "deviation", "unit"),
    [
        ("{between: [1 min, 180 s]}", 120, 120 / 12**0.5, "s"),
        ("{normal: [4.0, 0.5]}", 4.0, 0.5, ""),
        ("{about: 30 s}", 30, 30, "s"),
        ("{one of: [1, 3]}", 2, 1, ""),
    ],
)
def test_draws_follow_their_distributions(
    draw: str, mean: float, deviation: float, unit: str
) -> None:
    """Means and deviations of 4,000 draws, against the closed forms of the distributions."""
    from softctl.machine.document import read_document

    entry = read_document(f"x: {draw}\n", "d.yaml", []).child("x")
    assert entry is not None
    random = Random(1)

    def refuse(message: str, place: object) -> None:
        raise AssertionError(message)

    values = []
    for _ in range(4000):
        value = str(drawn(entry, random, refuse).value)
        assert value.endswith(unit)
        values.append(float(value.split()[0]))
    assert statistics.fmean(values) == pytest.approx(mean, abs=4 * deviation / 4000**0.5)
    assert statistics.pstdev(values) == pytest.approx(deviation, rel=0.1)


def test_smallest_leaves_nothing_out_that_is_needed() -> None:
    """Against a search of all parts: 1-minimal for random sets of needed items."""
    random = Random(3)
    for _ in range(50):
        items = list(range(random.randrange(1, 40)))
        needed = set(random.sample(items, min(len(items), random.randrange(0, 5))))
        found = smallest(items, lambda some, needed=needed: needed <= set(some))
        assert set(found) == needed
