"""The past from the journal: thinned without losing peaks, on the axis of the run."""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from softctl.errors import SoftctlError
from softctl.journal import Entry, JournalWriter, Sample
from softctl.web.history import MOST_NAMES, Axis, History

S = 1_000_000_000
STARTED = 1_000 * S
"""When the run began, by the wall; what was noted before is another run's."""


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """10,000 samples of a level with one peak, at ten times the wall's speed."""
    path = tmp_path_factory.mktemp("history") / "journal.sqlite"
    writer = JournalWriter(path)
    writer.sample([Sample(STARTED - 5 * S, 99 * S, "LT", 7.0)])
    writer.note(Entry(STARTED - 5 * S, 99 * S, "run", "m", "stopped"))
    for number in range(10_000):
        value = 50.0 if number == 4_321 else float(number % 10)
        at_ns = number * S // 100
        writer.sample([Sample(STARTED + at_ns, 10 * at_ns, "LT", value)])
    writer.note(
        Entry(STARTED + S, 10 * S, "force", "LT", "forced", "me", {"value": 3, "reason": "stuck"})
    )
    writer.close()
    return path


def test_a_long_past_is_thinned_and_keeps_its_peaks(path: Path) -> None:
    """Of 10,000 samples at most so many come, in order of time, with the only peak."""
    found = History(path, Axis(STARTED)).read(["LT"], 0.0, 1_000.0, 200)["series"]["LT"]
    times = [at_s for at_s, _ in found]
    assert times == sorted(times)
    assert 100 < len(found) <= 210
    assert [at_s for at_s, value in found if value == 50.0] == [432.1]
    assert min(value for _, value in found) == 0.0


def test_a_short_past_comes_whole_with_the_value_before_it(path: Path) -> None:
    """Between 1 and 2 s of machine time are ten samples; the one before tells where it began."""
    found = History(path, Axis(STARTED)).read(["LT", "NONE"], 1.0, 2.0, 200)
    assert [at_s for at_s, _ in found["series"]["LT"]] == [
        pytest.approx(0.9 + 0.1 * number) for number in range(11)
    ]
    assert found["series"]["NONE"] == []


def test_earlier_runs_lie_below_zero_in_wall_seconds(path: Path) -> None:
    """What another run noted five seconds before the start is at -5 s."""
    found = History(path, Axis(STARTED)).read(["LT"], -10.0, 0.05, 200)
    assert found["series"]["LT"][0] == [-5.0, 7.0]
    assert [(one["at_s"], one["text"]) for one in found["events"]] == [(-5.0, "m stopped")]
    unix = History(path, Axis()).read(["LT"], 990.0, 996.0, 200)
    assert unix["series"]["LT"] == [[995.0, 7.0]]


def test_events_say_what_who_and_why(path: Path) -> None:
    """A force has its value and its reason."""
    (event,) = History(path, Axis(STARTED)).read(["LT"], 5.0, 20.0, 10)["events"]
    assert event == {"at_s": 10.0, "kind": "force", "text": "LT forced = 3 (stuck)", "by": "me"}


def test_an_export_has_every_sample(path: Path) -> None:
    """CSV as the csv module reads it, nothing thinned."""
    rows = list(csv.reader(History(path, Axis(STARTED)).export(["LT"], 0.0, 1_000.0).splitlines()))
    assert rows[0] == ["time", "machine_s", "point", "value"]
    assert len(rows) - 1 == 10_000
    assert rows[4_322][1:] == ["432.1", "LT", "50.0"]


def test_what_cannot_be_asked_is_refused(path: Path, tmp_path: Path) -> None:
    """No names, too many, a time that ends before it begins, no journal."""
    history = History(path, Axis())
    for names in ([], [str(number) for number in range(MOST_NAMES + 1)]):
        with pytest.raises(SoftctlError, match="names of points, got"):
            history.read(names, 0.0, 1.0, 10)
    with pytest.raises(SoftctlError, match="expected a time before 1 s"):
        history.read(["LT"], 1.0, 1.0, 10)
    with pytest.raises(SoftctlError, match="expected 2 to 5000 points, got 1"):
        history.read(["LT"], 0.0, 1.0, 1)
    with pytest.raises(SoftctlError, match="expected a journal"):
        History(tmp_path / "none", Axis()).read(["LT"], 0.0, 1.0, 10)


def test_names_are_values_not_sql(path: Path) -> None:
    """A name with quotes finds nothing and harms nothing."""
    found = History(path, Axis(STARTED)).read(["'; DROP TABLE samples; --"], 0.0, 5.0, 10)
    assert list(found["series"].values()) == [[]]
    with sqlite3.connect(path) as connection:
        assert connection.execute("SELECT count(*) FROM samples").fetchone()[0] == 10_001
