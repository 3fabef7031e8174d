"""Tasks keep their phase over days, and count what they missed (IEC 61131-3, 6.8.2)."""

from __future__ import annotations

from itertools import pairwise
from random import Random

import pytest

MS = 1_000_000
DAY_MS = 86_400_000
TASKS = """
PROGRAM Watcher VAR runs : UDINT; END_VAR runs := runs + 1; END_PROGRAM
CONFIGURATION Plant RESOURCE Cpu ON Any
  TASK Slow(INTERVAL := T#7s, PRIORITY := 3);
  TASK Odd(INTERVAL := T#1500ms, PRIORITY := 2);
  TASK Quick(INTERVAL := T#500ms, PRIORITY := 1);
  PROGRAM A WITH Slow : Watcher;
  PROGRAM B WITH Odd : Watcher;
  PROGRAM C WITH Quick : Watcher;
  PROGRAM D : Watcher;
END_RESOURCE END_CONFIGURATION
"""


def test_tasks_keep_their_phase_over_days(bench):
    """Two days of scans of 1 s: each task has run exactly as often as its interval says."""
    made = bench(TASKS)
    scan, begin_ms = made.instance.scan, 123
    for at_ms in range(begin_ms, begin_ms + 2 * DAY_MS, 1_000):
        scan(at_ms * MS)
    assert made["D.runs"] == 2 * DAY_MS // 1_000
    assert made["A.runs"] == (2 * DAY_MS - 1_000) // 7_000 + 1
    # Of every three releases of 1.5 s two fall between scans of 1 s, and run in the next.
    assert made["B.runs"] == 2 * DAY_MS // 1_500
    assert made["C.runs"] == 2 * DAY_MS // 1_000, "every second release of 0.5 s is missed"
    assert made.instance.task_overruns == {
        "Quick": 2 * DAY_MS // 1_000 - 1,
        "Odd": 0,
        "Slow": 0,
    }


def test_a_task_that_was_late_returns_to_its_grid(bench):
    """After hours of scans at random gaps, every run is the first scan at or after a release."""
    made = bench(TASKS)
    draw, at_ms, runs, ran_at = Random(3), 0, 0, []
    while at_ms < 6 * 3_600_000:
        made.scan(at_ms)
        if made["A.runs"] > runs:
            runs = made["A.runs"]
            ran_at.append(at_ms)
        at_ms += draw.choice((10, 20, 990, 4_000, 15_000))
    numbers = [at // 7_000 for at in ran_at]
    gaps = [later - earlier for earlier, later in pairwise(numbers)]
    assert set(gaps) >= {1, 2}
    assert made.instance.task_overruns["Slow"] == sum(gap - 1 for gap in gaps)


def test_programs_without_intervals_have_no_overruns(bench):
    """No task, nothing to miss."""
    assert bench("PROGRAM P VAR a : INT; END_VAR a := 1; END_PROGRAM").instance.task_overruns == {}


@pytest.mark.parametrize("jump_ms", [-3_600_000, -1])
def test_a_clock_set_back_runs_no_task_twice(bench, jump_ms):
    """A task waits for its planned release, however the time that it is given moves."""
    made = bench(TASKS)
    made.scan(3_600_000)
    made.scan(3_600_000 + jump_ms)
    assert (made["A.runs"], made["D.runs"]) == (1, 2)
