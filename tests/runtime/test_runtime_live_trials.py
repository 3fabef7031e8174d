"""Trials over Modbus/TCP in real time: the same verdicts as in virtual time."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from textwrap import dedent

import pytest

from softctl.runtime.folder import demo_folder, load_folder
from softctl.runtime.live_trials import run_live
from softctl.runtime.trials import surroundings
from softctl.trial.parse import Surroundings, TrialFile, parse_trials
from softctl.trial.result import Outcome, Result
from softctl.trial.run import VirtualRunner

pytestmark = pytest.mark.network


@cache
def demo() -> Surroundings:
    return surroundings(load_folder(demo_folder()))


def parsed(text: str) -> TrialFile:
    return parse_trials(dedent(text), "t.yaml", demo())


async def both(text: str, speed: float) -> tuple[Result, Result]:
    """The results of a file's one trial, live and in virtual time."""
    file = parsed(text)
    live = await run_live(demo(), file, file.trials[0], speed)
    return live, VirtualRunner(demo()).run(file, file.trials[0])


def outcomes(result: Result) -> list[Outcome]:
    return [verdict.outcome for verdict in result.verdicts]


async def test_a_batch_has_the_same_verdicts_live() -> None:
    """Steps, faults, forces, set points and comparisons are judged alike on both clocks.

    Two of the expectations are wrong on purpose, so that passing by seeing nothing shows.
    """
    live, virtual = await both(
        """\
        trials:
          batch:
            given:
              equipment: {T_101: {initial_level: 1.1 m}}
              set: {STIR_TIME: 40 s}
            throughout:
              - never: XV_101 AND P_101.running
              - never: Feed.Stirring
            procedure:
              - set: {STIR_TIME: 5 s}
              - command: START
              - sequence: [Closing, Feeding, Settling, Stirring, Coasting, Discharging]
                within: 60 s
              - fault: LT_101 drift
                size: 100 mm
              - compare: LT_101
                with: T_101.level + 0.1
                band: 15 mm
                within: 10 s
              - force: {LSL_101: false}
                for: 2 s
              - expect: BATCHES = 1
                within: 1 s
              - command: STOP
              - expect: NOT RUNNING AND NOT XV_101
              - expect: BATCHES = 5
                within: 2 s
        """,
        speed=10,
    )
    assert outcomes(live) == outcomes(virtual), live.verdicts
    assert [o.value for o in outcomes(live)].count("not met") == 2
    window = live.verdicts[-1].window
    assert window is not None
    assert window.samples[-1][1] == (1,)


async def test_a_cut_wire_has_the_same_verdicts_live() -> None:
    """The connection is reset and turned away, and both ends go to fail-safe."""
    live, virtual = await both(
        """\
        trials:
          cut:
            procedure:
              - command: START
              - wait until: P_101.running
                within: 5 s
              - wire: cut
                for: 1 s
              - expect: COMMS_ALARM AND NOT P_101
                within: 700 ms
              - expect: NOT P_101.running
                within: 300 ms
              - expect: NOT COMMS_ALARM
                within: 4 s
              - expect: NOT RUNNING
                for: 200 ms
        """,
        speed=1,
    )
    assert outcomes(live) == outcomes(virtual), live.verdicts
    assert live.passed
    assert virtual.passed


async def test_the_inside_of_the_controller_is_seen_live() -> None:
    """Program variables, and a step of a single scan, which an HMI that polls would miss."""
    live, virtual = await both(
        """\
        trials:
          inside:
            given: {equipment: {T_101: {initial_level: 1.16 m}}, set: {STIR_TIME: 5 s}}
            procedure:
              - command: START
              - wait until: Feed.batch > 1.0
                within: 5 s
              - sequence: [Settling, Stirring, Coasting, Discharging]
                within: 60 s
              - fault: LSL_101 broken wire
              - sequence: [Counting, Closing]
                within: 5 s
              - expect: Feed.Closing.T < T#2s
        """,
        speed=30,
    )
    assert outcomes(live) == outcomes(virtual), live.verdicts
    assert live.passed


async def test_a_cut_wire_slows_a_fast_clock_down() -> None:
    """Communication time-outs are wall time, and take as much machine time as at speed 1."""
    live, virtual = await both(
        """\
        trials:
          cut:
            procedure:
              - command: START
              - wait until: P_101.running
                within: 8 s
              - wire: cut
                for: 700 ms
              - expect: NOT COMMS_ALARM
                for: 200 ms
              - expect: COMMS_ALARM AND NOT P_101
                within: 700 ms
              - expect: NOT COMMS_ALARM
                within: 6 s
              - wait: 10 s
              - expect: NOT RUNNING
        """,
        speed=10,
    )
    assert outcomes(live) == outcomes(virtual), live.verdicts
    assert live.passed


async def test_a_program_fault_stops_a_live_trial(tmp_path: Path) -> None:
    """A program that fails ends the trial at once instead of after its times."""
    folder = tmp_path / "machine"
    folder.mkdir()
    for name in ("machine.yaml", "feed.st"):
        text = (demo_folder() / name).read_text()
        (folder / name).write_text(
            text.replace("  heel := 0.0;", "  BATCHES := 1 / (BATCHES - BATCHES);")
        )
    around = surroundings(load_folder(folder))
    text = """\
    trials:
      it:
        procedure:
          - command: START
          - expect: BATCHES = 7
            within: 10 min
    """
    file = parse_trials(dedent(text), "t.yaml", around)
    result = await run_live(around, file, file.trials[0], 200)
    assert "the program stopped" in result.stopped
    assert result.verdicts[-1].outcome is Outcome.NOT_REACHED
