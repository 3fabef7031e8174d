"""pytest's plugin, seen from somebody else's repository."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from softctl.runtime.folder import demo_folder

pytest_plugins = ["pytester"]

TRIALS = """\
trials:
  good:
    procedure: [{expect: NOT P_101}]
  bad:
    text: Too hasty
    procedure:
      - command: START
      - expect: BATCHES = 1
        within: 2 s
        text: A batch in two seconds
"""

TESTS = """\
import pytest
from softctl.testing import NotMetError

def test_default(virtual_bench):
    virtual_bench.command("START")
    virtual_bench.expect("RUNNING")

@pytest.mark.machine("skid", equipment={"T_101": {"initial_level": "0.5 m"}})
def test_marked(virtual_bench):
    assert abs(virtual_bench["T_101.level"] - 0.5) < 1e-9

@pytest.mark.machine("skid", speed=20)
async def test_live(live_bench):
    await live_bench.command("START")
    await live_bench.expect("RUNNING", within="1 s")
"""


INI = "[pytest]\nasyncio_default_fixture_loop_scope = function\n"


@pytest.fixture
def repository(pytester: pytest.Pytester) -> pytest.Pytester:
    """A repository with a machine folder `skid`, its trials and some tests in Python."""
    skid = pytester.path / "skid"
    shutil.copytree(demo_folder(), skid, ignore=shutil.ignore_patterns("trials"))
    (skid / "trials").mkdir()
    (skid / "trials" / "a.yaml").write_text(TRIALS)
    pytester.makepyfile(test_skid=TESTS)
    pytester.makeini(INI + "machine = skid\nasyncio_mode = auto\n")
    return pytester


def run(repository: pytest.Pytester, *arguments: str) -> pytest.RunResult:
    """One run of pytest there."""
    return repository.runpytest_inprocess("-p", "softctl.testing.plugin", *arguments)


def test_trials_are_items_and_benches_are_fixtures(repository: pytest.Pytester) -> None:
    """A failing trial tells expected and found, and no line of softctl's own code."""
    result = run(repository, "-rA", "--strict-markers")
    result.assert_outcomes(passed=4, failed=1)
    text = result.stdout.str()
    assert "A batch in two seconds (skid/trials/a.yaml:8)" in text
    assert "expected: BATCHES = 1 within 2 s" in text
    assert "found:    false until 2.000 s: BATCHES = 0" in text
    assert "play.py" not in text


def test_one_trial_can_be_chosen(repository: pytest.Pytester) -> None:
    """A trial has a node id like any other test."""
    run(repository, "skid/trials/a.yaml::good").assert_outcomes(passed=1)
    run(repository, "-k", "good").assert_outcomes(passed=1, deselected=4)


def test_errors_of_a_trial_file_are_told_at_their_place(repository: pytest.Pytester) -> None:
    """A file with errors fails when it is collected, with file, line and column."""
    path = repository.path / "skid" / "trials" / "a.yaml"
    path.write_text(TRIALS.replace("START", "STRAT"))
    result = run(repository, "skid")
    result.assert_outcomes(errors=1)
    text = result.stdout.str()
    assert "a.yaml:7:18" in text
    assert "did you mean START?" in text
    assert "Traceback" not in text


def test_trials_can_run_live(repository: pytest.Pytester) -> None:
    """The same items over Modbus/TCP."""
    result = run(repository, "--trial-live", "20", "skid/trials/a.yaml::good")
    result.assert_outcomes(passed=1)


def test_other_yaml_files_are_left_alone(pytester: pytest.Pytester) -> None:
    """Only `trials/*.yaml` beside a machine file are trials."""
    pytester.makeini(INI)
    for name in ("trials/a.yaml", "b.yaml"):
        path = pytester.path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text("a: 1\n")
    assert run(pytester).ret == pytest.ExitCode.NO_TESTS_COLLECTED


def test_the_plugin_is_declared() -> None:
    """An installed softctl brings its plugin along, under the module's own name."""
    text = (Path(__file__).parents[2] / "pyproject.toml").read_text()
    assert '"softctl.testing.plugin" = "softctl.testing.plugin"' in text


def test_the_plugin_imports_nothing_of_softctl_by_itself(pytester: pytest.Pytester) -> None:
    """Other people's test runs do not pay for it."""
    pytester.makepyfile(
        """
        import sys
        def test_it():
            assert "softctl.testing.plugin" in sys.modules
            heavy = {"softctl.machine", "softctl.logic", "softctl.runtime", "pydantic"}
            assert not heavy & set(sys.modules)
        """
    )
    result = pytester.runpytest_subprocess("-p", "softctl.testing.plugin")
    result.assert_outcomes(passed=1)
