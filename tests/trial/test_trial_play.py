"""Trials of the demo in virtual time: what each kind of row does and how it is judged."""

from __future__ import annotations

import pytest
from trial_texts import play

from softctl.trial.result import Outcome, Result

MET, NOT_MET, NOT_REACHED = Outcome.MET, Outcome.NOT_MET, Outcome.NOT_REACHED


def outcomes(result: Result) -> list[Outcome]:
    return [verdict.outcome for verdict in result.verdicts]


def test_a_deed_is_judged_from_the_next_scan_on() -> None:
    """An expectation without a time sees the scan after the command, and no later one."""
    result = play("- command: START\n- expect: RUNNING\n- expect: P_101.running\n")
    assert outcomes(result) == [MET, NOT_MET]
    assert result.verdicts[0].found == "true after 0.05 s"
    assert "P_101.running = FALSE" in result.verdicts[1].found
    assert not result.passed


def test_a_condition_within_a_time() -> None:
    """It may come at any scan up to the time, and its absence ends the row there."""
    good = play("- command: START\n- expect: P_101.running\n  within: 5 s\n")
    assert good.passed
    late = play("- command: START\n- expect: BATCHES > 0\n  within: 5 s\n- expect: RUNNING\n")
    assert outcomes(late) == [NOT_MET, MET]
    assert late.verdicts[0].at_ns == 5_000_000_000
    assert late.verdicts[0].found == "false until 5.000 s: BATCHES = 0"


def test_a_condition_for_a_time() -> None:
    """A break is told with its time; with `within` it may begin again until then."""
    rows = "- command: START\n- expect: NOT P_101\n  for: 2 s\n"
    (verdict,) = play(rows).verdicts
    assert verdict.outcome is NOT_MET
    assert verdict.found.startswith("became false at 0.1")
    assert play("- expect: NOT P_101\n  for: 2 s\n").passed


def test_wait_until_stops_a_trial_that_cannot_go_on() -> None:
    """What comes after it is not reached, and the reason is told."""
    result = play("- wait until: P_101\n  within: 2 s\n- expect: RUNNING\n")
    assert outcomes(result) == [NOT_MET, NOT_REACHED]
    assert "did not become true within 2 s" in result.stopped


def test_never_and_always_run_beside_the_rows() -> None:
    """A violation is told once, at its time, while the rows go on."""
    rows = "- never: P_101.running\n- always: NOT A_101\n- command: START\n- wait: 10 s\n"
    result = play(rows)
    assert outcomes(result) == [NOT_MET, MET]
    assert result.verdicts[0].found.startswith("true at 0.1")
    assert result.duration_ns == 10_000_000_000


def test_a_watch_ends_at_its_time_or_condition() -> None:
    """After `for` and after `until` nothing is held against the machine."""
    rows = """\
    - never: P_101
      until: RUNNING
    - never: P_101
      for: 100 ms
    - wait: 200 ms
    - command: START
    - wait: 3 s
    """
    result = play(rows)
    assert outcomes(result) == [MET, MET], result.verdicts
    assert result.passed


def test_a_watch_with_a_time_keeps_the_trial_open() -> None:
    """The last row's watch is given its time."""
    result = play("- never: P_101\n  for: 20 s\n")
    assert result.passed
    assert result.duration_ns == 20_000_000_000


CYCLE = "[Closing, Feeding, Settling, Stirring, Coasting, Discharging, Counting, Closing]"


def test_a_sequence_is_followed_step_by_step() -> None:
    """A whole cycle, steps that last one scan included."""
    head = "given: {equipment: {T_101: {initial_level: 1.1 m}}, set: {STIR_TIME: 5 s}}\n"
    result = play(f"- command: START\n- sequence: {CYCLE}\n  within: 5 min\n", head)
    assert result.passed, result.verdicts
    assert "Counting at" in result.verdicts[0].found
    steps = [span.step for span in result.spans]
    assert steps[:4] == ["Idle", "Closing", "Feeding", "Settling"]


def test_a_step_out_of_order_is_told() -> None:
    """The step expected, the one entered and the time are in the finding."""
    rows = """\
    - command: START
    - sequence: [Closing, Feeding, Stirring]
      within: 5 min
    """
    (verdict,) = play(rows).verdicts
    assert verdict.outcome is NOT_MET
    assert verdict.found.startswith("expected Stirring, entered Settling at ")


def test_a_step_that_does_not_come_is_told() -> None:
    """A sequence that stands still fails at its time and names the step it stands in."""
    (verdict,) = play("- sequence: [Idle, Closing]\n  within: 3 s\n").verdicts
    assert verdict.outcome is NOT_MET
    assert verdict.found == "Closing not entered by 3.000 s; Idle is active"


def test_a_comparison_tells_value_and_deviation() -> None:
    """A value outside its band is told with the reference and the difference."""
    head = "given: {equipment: {T_101: {initial_level: 0.5 m}}}\n"
    rows = """\
    - wait: 10 s
    - compare: LT_101
      with: T_101.level
      band: 1 mm
    - compare: LT_101
      with: 0.51
      band: 1 mm
    """
    result = play(rows, head)
    assert outcomes(result) == [MET, NOT_MET]
    assert result.verdicts[1].expected == "LT_101 within ±0.001 m of 0.51"
    assert "-0.01 m from 0.51 m" in result.verdicts[1].found


def test_a_fault_comes_and_goes_at_its_times() -> None:
    """`after` and `for` count from the row, and `mend` ends what is left."""
    head = "given: {equipment: {T_101: {initial_level: 0.5 m}}}\n"
    rows = """\
    - expect: LSL_101
    - fault: LSL_101 broken wire
      after: 1 s
      for: 2 s
    - expect: LSL_101
      for: 950 ms
    - expect: NOT LSL_101
      within: 100 ms
      for: 1.9 s
    - expect: LSL_101
      within: 100 ms
    - fault: LSL_101 broken wire
    - expect: NOT LSL_101
    - mend: LSL_101
    - expect: LSL_101
    """
    result = play(rows, head)
    assert result.passed, result.verdicts


def test_a_force_holds_until_its_time_or_release() -> None:
    """A forced input is what the program sees, whatever the switch says."""
    rows = """\
    - force: {LSL_101: true}
      for: 1 s
    - expect: LSL_101 AND NOT LSL_101.contact
      for: 900 ms
    - expect: NOT LSL_101
      within: 150 ms
    - force: {LSL_101: true}
    - expect: LSL_101
    - release: all
    - expect: NOT LSL_101
    """
    result = play(rows)
    assert result.passed, result.verdicts


def test_a_cut_wire_is_a_lost_link() -> None:
    """The controller and the cards both act after fail_safe_after, and nothing restarts."""
    rows = """\
    - command: START
    - expect: P_101.running
      within: 5 s
    - wire: cut
      for: 3 s
    - expect: COMMS_ALARM AND NOT P_101
      within: 550 ms
    - expect: NOT P_101.running
      within: 100 ms
    - expect: NOT COMMS_ALARM
      within: 3 s
    - expect: NOT RUNNING AND NOT P_101.running
      for: 5 s
    """
    result = play(rows)
    assert result.passed, result.verdicts


def test_a_failure_keeps_the_last_ten_seconds_of_its_values() -> None:
    """The values are those of the condition's variables, scan by scan."""
    rows = "- command: START\n- wait: 20 s\n- expect: T_101.level > 1.4 OR BATCHES > 0\n"
    (verdict,) = play(rows).verdicts
    window = verdict.window
    assert window is not None
    assert window.names == ("T_101.level", "BATCHES")
    times = [time for time, _ in window.samples]
    assert times[0] == pytest.approx(10e9, abs=60e6)
    assert times[-1] == verdict.at_ns
    assert len(times) == 201
    levels = [values[0] for _, values in window.samples]
    assert levels == sorted(levels)
    assert levels[-1] > levels[0]


def test_a_condition_that_cannot_be_computed_stops_the_trial() -> None:
    """A division by zero in a condition is told as the condition's."""
    result = play("- expect: 1.0 / (T_101.level - T_101.level) > 1.0\n")
    assert "cannot be computed" in result.stopped
    assert not result.passed
