"""Trials of somebody else's controller or field: the right one passes, wrong ones are rejected."""

from __future__ import annotations

import asyncio
import socket
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from textwrap import dedent

import foreign_controllers
import pytest
import pytest_asyncio
from foreign_controllers import Wrong
from pyModbusTCP.server import DataBank, ModbusServer

from softctl.errors import SoftctlError
from softctl.runtime import outside_machine
from softctl.runtime.folder import demo_folder, load_folder
from softctl.runtime.live_trials import run_live
from softctl.runtime.parties import Parties
from softctl.runtime.trials import surroundings
from softctl.trial.parse import Surroundings, TrialFile, parse_trials
from softctl.trial.result import Outcome, Result

pytestmark = pytest.mark.network

SPEED = 4
LAG_NS = 250_000_000

BATCH = """\
trials:
  batch:
    given:
      equipment: {T_101: {initial_level: 1.155 m}}
      set: {STIR_TIME: 10 s}
    throughout:
      - never: XV_101 AND (P_101 OR P_102)
      - never: Feed.no_calcium.Q
        text: Nobody outside can see this
    procedure:
      - expect: NOT (P_101 OR P_102 OR A_101 OR XV_101)
      - command: START
      - sequence: [Closing, Feeding, Settling, Stirring]
        within: 60 s
      - compare: T_101.level
        with: 1.18
        band: 0.04
      - expect: A_101.running
        within: 5 s
        for: 6500 ms
        text: Stirred for its time
      - expect: RUNNING
      - wait until: Feed.Discharging
        within: 20 s
      - expect: XV_101
        within: 1 s
      - command: STOP
      - expect: NOT RUNNING AND NOT XV_101 AND BATCHES = 0
        within: 2 s
"""


@cache
def demo() -> Surroundings:
    """The demo with a coarser plant, so that six of them run at once."""
    around = surroundings(load_folder(demo_folder()))
    return replace(around, machine=replace(around.machine, plant_step_ns=50_000_000))


def parsed(text: str) -> TrialFile:
    return parse_trials(dedent(text), "t.yaml", demo())


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@contextmanager
def controller(wrong: Wrong = Wrong.NOTHING, field_port: int | None = None) -> Iterator[Parties]:
    """A controller made by hand, and the parties of a run with it."""
    field_port, hmi_port = field_port or free_port(), free_port()
    words = [foreign_controllers.__file__, field_port, hmi_port, SPEED, wrong.name]
    command = [sys.executable, *map(str, words)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
            yield Parties(
                has_their_controller=True,
                controller=("127.0.0.1", hmi_port),
                field_port=field_port,
                rest=("STOP",),
                lag_ns=LAG_NS,
            )
        finally:
            process.terminate()


async def tried(text: str, parties: Parties) -> Result:
    """The result of a file's one trial, in the first of three tries with a plant in time."""
    file = parsed(text)
    for _ in range(3):
        result = await run_live(demo(), file, file.trials[0], SPEED, parties)
        if "keeps the plant in time" not in result.stopped:
            break
    return result


def unmet(result: Result) -> list[str]:
    return [v.text for v in result.verdicts if v.outcome is Outcome.NOT_MET]


NOTICED = {
    Wrong.UPPER_SWITCH: "Guard FULL_IS_FULL: The upper switch ends the feed",
    Wrong.OPEN_OUTLET: "never XV_101 AND (P_101 OR P_102)",
    Wrong.NO_STOP: "NOT RUNNING AND NOT XV_101 AND BATCHES = 0 within 2 s",
    Wrong.SHORT_STIR: "Stirred for its time",
    Wrong.SILENT_STEP: "Feed: Closing → Feeding → Settling → Stirring within 60 s",
}


AGAIN = """\
trials:
  again:
    procedure:
      - expect: NOT (P_101 OR P_102 OR A_101 OR XV_101 OR RUNNING)
      - command: START
      - wait until: Feed.Feeding
        within: 10 s
"""


async def results_of(wrong: Wrong) -> list[Result]:
    texts = [BATCH, AGAIN] if wrong is Wrong.NOTHING else [BATCH]
    with controller(wrong) as parties:
        return [await tried(text, parties) for text in texts]


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def results() -> Mapping[Wrong, list[Result]]:
    """All controllers at once, each with a field of its own; the right one is tried twice."""
    found = await asyncio.gather(*map(results_of, Wrong))
    return dict(zip(Wrong, found, strict=True))


def test_a_right_controller_meets_all_that_can_be_seen(
    results: Mapping[Wrong, list[Result]],
) -> None:
    """What is inside of it is told as not run; a second trial begins with it at rest."""
    first, again = results[Wrong.NOTHING]
    assert not unmet(first), first.verdicts
    assert not first.stopped
    assert first.is_partial
    left_out = [v for v in first.verdicts if v.outcome is Outcome.NOT_RUN]
    assert [v.text for v in left_out] == ["Nobody outside can see this"]
    assert "Feed.no_calcium.Q is inside a controller" in left_out[0].found
    assert again.passed, again.verdicts


@pytest.mark.parametrize("wrong", NOTICED)
def test_a_wrong_controller_is_rejected(
    wrong: Wrong, results: Mapping[Wrong, list[Result]]
) -> None:
    """By the expectation, or by the machine file's guard, that is about what it has wrong."""
    (result,) = results[wrong]
    assert result.failed
    assert NOTICED[wrong] in unmet(result), result.verdicts


# Fields of independent make: registers that nothing moves.

READY = [False, True, False, False, False, False, False, False, False, True]
"""Not full, and the outlet shut: what the feed waits for, as the demo's cards have it."""


@contextmanager
def still_field() -> Iterator[tuple[int, DataBank]]:
    """A field whose inputs stand still, and its tables."""
    bank = DataBank(coils_size=16, d_inputs_size=16, i_regs_size=8, h_regs_size=1)
    bank.set_discrete_inputs(0, READY)
    bank.set_input_registers(0, [8_000, 8_000, 8_000, 8_000])
    port = free_port()
    server = ModbusServer("127.0.0.1", port, no_block=True, data_bank=bank)
    server.start()
    try:
        yield port, bank
    finally:
        server.stop()


async def test_our_controller_drives_a_field_that_is_not_ours() -> None:
    """Commands, steps and outputs are judged; in the end its outputs are at fail-safe."""
    text = """\
    trials:
      feed:
        procedure:
          - command: START
          - expect: P_101 AND Feed.Feeding
            within: 3 s
          - sequence: [Feeding, Idle]
            within: 5 s
    """
    with still_field() as (port, bank):

        async def stop_it() -> None:
            while not bank.get_coils(0, 1)[0]:
                await asyncio.sleep(0.02)
            bank.set_discrete_inputs(1, [False])  # the upper switch: Settling, not Idle

        stopper = asyncio.create_task(stop_it())
        result = await tried(text, Parties(field=("127.0.0.1", port)))
        await stopper
        assert not any(bank.get_coils(0, 16))
    assert [v.outcome.value for v in result.verdicts] == [*["met"] * 2, "not met"]
    assert "entered Settling" in result.verdicts[-1].found


async def test_two_that_are_not_ours_are_judged_by_both_maps() -> None:
    """Outputs at the cards of the field, which is only read, and steps on the HMI map."""
    text = """\
    trials:
      feed:
        procedure:
          - command: START
          - wait until: Feed.Feeding
            within: 5 s
          - expect: P_101 AND P_102 AND NOT XV_101
            within: 1 s
          - expect: RUNNING AND NOT LSH_101 AND LT_101 > 0.3
    """
    with still_field() as (port, _), controller(field_port=port) as parties:
        both = replace(parties, field=("127.0.0.1", port), field_port=None)
        result = await tried(text, both)
    assert not unmet(result), result.verdicts
    assert not result.failed


@pytest.mark.parametrize(
    ("row", "parties", "words"),
    [
        ("{fault: LSH_101 stuck}", Parties(field=("127.0.0.1", 1)), "a field that is not ours"),
        ("{wire: cut}", Parties(field=("127.0.0.1", 1)), "is not cut"),
        ("{wait until: T_101.level > 1.0, within: 5 s}", Parties(field=("127.0.0.1", 1)),
         "T_101.level is inside a field"),
        ("{command: START}", Parties(has_their_controller=True), "no HMI map has START"),
        ("{force: {LSL_101: true}}", Parties(has_their_controller=True), "is not forced"),
        ("{wire: cut}", Parties(has_their_controller=True), "at speed 1 only"),
        ("{expect: Feed.Feeding.T > T#5s, within: 9 s}", Parties(has_their_controller=True),
         "Feed.Feeding.T is inside a controller"),
        ("{expect: BATCHES = 1, within: 9 s}", Parties(has_their_controller=True),
         "BATCHES is neither on an HMI map"),
        ("{sequence: [Closing, Feeding], within: 9 s}", Parties(has_their_controller=True),
         "FEED_STEP is neither on an HMI map"),
        ("{sequence: [[Closing, Feeding], Idle], within: 9 s}",
         Parties(has_their_controller=True, controller=("127.0.0.1", 1)), "one active step"),
    ],
)  # fmt: skip
async def test_what_cannot_be_done_is_told_before_anybody_is_asked(
    row: str, parties: Parties, words: str
) -> None:
    """Nobody is there to be asked, and the trial has neither passed nor failed."""
    result = await tried(f"trials:\n  it:\n    procedure: [{row}]\n", parties)
    assert words in result.not_run
    assert not result.passed
    assert not result.failed


async def test_levels_cannot_be_given_to_a_field_that_is_not_ours() -> None:
    """What a trial begins with is as much a reason as its rows."""
    result = await tried(BATCH, Parties(field=("127.0.0.1", 1)))
    assert "T_101.initial_level cannot be given" in result.not_run


async def test_a_controller_that_does_not_come_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the address at which it was expected."""
    monkeypatch.setattr(outside_machine, "_COMES_WITHIN_S", 0.2)
    parties = Parties(has_their_controller=True, field_port=free_port())
    with pytest.raises(SoftctlError, match=f"127.0.0.1:{parties.field_port} within 0.2 s"):
        await tried("trials:\n  it:\n    procedure: [{expect: NOT P_101}]\n", parties)


@pytest.mark.parametrize(
    ("parties", "speed", "confirmed", "words"),
    [
        (Parties(field=("192.0.2.7", 502)), 1.0, (), "--drive 192.0.2.7"),
        (Parties(field=("192.0.2.7", 502)), 1.0, ("192.0.2.7",), "drives: [192.0.2.7]"),
        (Parties(True, ("192.0.2.7", 502)), 1.0, (), "--drive 192.0.2.7"),
        (Parties(True, ("127.0.0.1", 5), ("192.0.2.7", 502)), 2.0, (), "speed 1"),
    ],
)
def test_far_parties_need_a_confirmation_and_real_time(
    parties: Parties, speed: float, confirmed: tuple[str, ...], words: str
) -> None:
    """192.0.2.0/24 is for documentation (RFC 5737), so it is nobody's machine."""
    with pytest.raises(SoftctlError) as caught:
        parties.require_allowed(demo().machine, speed, confirmed)
    assert words in str(caught.value)


def test_a_confirmed_host_of_the_machine_file_may_be_driven() -> None:
    """Both the file and the command line name it; a field that is only read needs neither."""
    machine = replace(demo().machine, drives=("192.0.2.7",))
    Parties(field=("192.0.2.7", 502)).require_allowed(machine, 1.0, ("192.0.2.7",))
    Parties(True, ("127.0.0.1", 5), ("192.0.2.9", 502)).require_allowed(machine, 1.0, ())
