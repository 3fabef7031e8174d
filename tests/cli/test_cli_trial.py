"""`softctl trial`: verdicts, exit codes and files."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from xml.etree import ElementTree

import pytest

from softctl.cli import main
from softctl.runtime.folder import demo_folder

PASSES = "trials:\n  quiet:\n    text: Nothing runs\n    procedure: [{expect: NOT P_101}]\n"
FAILS = """\
trials:
  hasty:
    text: It would have to be faster
    procedure:
      - command: START
      - expect: BATCHES = 1
        within: 2 s
        text: A batch in two seconds & no more
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The demo without its trials."""
    made = tmp_path / "machine"
    shutil.copytree(demo_folder(), made, ignore=shutil.ignore_patterns("trials"))
    (made / "trials").mkdir()
    return made


def run(monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    """The exit code of `softctl trial …`."""
    monkeypatch.setattr("sys.argv", ["softctl", "trial", *arguments])
    with pytest.raises(SystemExit) as caught:
        main()
    code = caught.value.code
    return code if isinstance(code, int) else 0


def test_all_met_is_exit_code_0(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The table has a row for each trial and the last line says that all passed."""
    (folder / "trials" / "a.yaml").write_text(PASSES)
    assert run(monkeypatch, str(folder)) == 0
    out = capsys.readouterr().out
    assert "quiet" in out
    assert "1 of 1 trials passed" in out


def test_a_failure_is_exit_code_1_and_on_record(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was expected and found is printed, and in the JSON and JUnit files."""
    (folder / "trials" / "a.yaml").write_text(PASSES)
    (folder / "trials" / "b.yaml").write_text(FAILS)
    files = {kind: folder / f"out.{kind}" for kind in ("json", "junit")}
    options = [text for kind, path in files.items() for text in (f"--{kind}", str(path))]
    assert run(monkeypatch, str(folder), *options) == 1
    out = capsys.readouterr().out
    assert "A batch in two seconds & no more" in out
    assert "false until 2.000 s: BATCHES = 0" in out
    assert "1 of 2 trials failed" in out
    document = json.loads(files["json"].read_text())
    expectations = document["trials"][1]["expectations"]
    (verdict,) = [one for one in expectations if one["outcome"] == "not met"]
    assert verdict["values"]["BATCHES"][-1] == 0
    assert len(document["sha256"]["feed.st"]) == 64
    suite = ElementTree.parse(files["junit"]).getroot()
    assert (suite.get("tests"), suite.get("failures")) == ("2", "1")
    failure = suite.find("testcase[@name='hasty']/failure")
    assert failure is not None
    assert "expected: BATCHES = 1 within 2 s" in str(failure.text)


def test_only_chooses_by_trial_or_file(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Other trials are not run; an unknown name is told with the one that was meant."""
    (folder / "trials" / "a.yaml").write_text(PASSES)
    (folder / "trials" / "b.yaml").write_text(FAILS)
    assert run(monkeypatch, str(folder), "--only", "quiet") == 0
    assert run(monkeypatch, str(folder), "--only", "b") == 1
    capsys.readouterr()
    assert run(monkeypatch, str(folder), "--only", "quite") == 2
    assert "did you mean quiet?" in capsys.readouterr().err


def test_errors_of_all_files_are_exit_code_2(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every error of every file comes with file, line and column, and nothing is run."""
    (folder / "trials" / "a.yaml").write_text(PASSES.replace("P_101", "P_1O1"))
    (folder / "trials" / "b.yaml").write_text(FAILS.replace("START", "STRAT"))
    assert run(monkeypatch, str(folder)) == 2
    err = capsys.readouterr().err
    assert "a.yaml:4:30" in err
    assert "b.yaml:5:18" in err
    assert "2 errors" in err


def test_names_are_unique_in_a_folder(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same name in two files is an error that names both places."""
    (folder / "trials" / "a.yaml").write_text(PASSES)
    (folder / "trials" / "b.yaml").write_text(PASSES)
    assert run(monkeypatch, str(folder)) == 2
    err = capsys.readouterr().err
    assert "b.yaml:2:3" in err
    assert "a.yaml:2" in err


def test_a_folder_without_trials_is_told(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing to run is an error: a record of no trials proves nothing."""
    assert run(monkeypatch, str(folder)) == 2
    assert "expected trials in" in capsys.readouterr().err


def test_coverage_lists_what_no_trial_touched(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """By file and line, and in the record with the sequence chart."""
    (folder / "trials" / "a.yaml").write_text(PASSES)
    page = folder / "record.html"
    assert run(monkeypatch, str(folder), "--coverage", "--html", str(page)) == 0
    out = capsys.readouterr().out
    assert "No trial touched:" in out
    assert "step        Feed.Feeding" in out
    assert "feed.st:" in out
    assert 'aria-label="Sequence chart of Feed"' in page.read_text()
    assert run(monkeypatch, str(folder), "--coverage", "--live") == 2


def test_mutants_that_nobody_notices_are_listed(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """With their lines; the exit code is that of the trials, and a failing trial ends it."""
    (folder / "trials" / "a.yaml").write_text(PASSES)
    made = folder / "out.json"
    monkeypatch.setattr("softctl.trial.mutants.FACTORS", (0,))
    monkeypatch.setattr("softctl.trial.mutants.SWAPS", {})
    assert run(monkeypatch, str(folder), "--mutate", "--json", str(made)) == 0
    out = capsys.readouterr().out
    assert "No trial noticed:" in out
    mutants = json.loads(made.read_text())["mutants"]
    assert all(one["noticed_by"] in ("", "quiet") for one in mutants)
    assert {"condition negated", "transition removed"} <= {one["kind"] for one in mutants}
    (folder / "trials" / "b.yaml").write_text(FAILS)
    assert run(monkeypatch, str(folder), "--mutate") == 1
    assert "No trial noticed:" not in capsys.readouterr().out


def test_what_was_not_run_is_exit_code_3(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing failed and nothing passed: somebody else's controller takes no commands here."""
    (folder / "trials" / "b.yaml").write_text(FAILS)
    junit = folder / "out.xml"
    options = ["--live", "--controller", "unmapped", "--junit", str(junit)]
    assert run(monkeypatch, str(folder), *options) == 3
    out = capsys.readouterr().out
    assert "no HMI map has START to be written" in out
    assert "0 of 1 trials passed, 0 failed, 1 not run" in out
    assert ElementTree.parse(junit).getroot().get("skipped") == "1"


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ("--controller 127.0.0.1:1", "expected --controller and --field with --live"),
        ("--live --controller 127.0.0.1", "expected HOST:PORT"),
        ("--live --field 127.0.0.1:1 --field-port 5", "our own field, got --field too"),
        ("--live --controller unmapped --rest STOP", "expected --rest with --controller HOST:PORT"),
        ("--live --controller 127.0.0.1:1 --rest STOPP", "expected a command (START, STOP"),
        ("--live --prepare true", "expected --prepare with --controller or --field"),
        ("--live --field 192.0.2.7:502", "--drive 192.0.2.7"),
        ("--live --controller unmapped --prepare false", "`false` to prepare a trial"),
    ],
)
def test_parties_that_cannot_be_are_told(
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    options: str,
    words: str,
) -> None:
    """Exit code 2, before any trial, and with what was expected."""
    (folder / "trials" / "a.yaml").write_text(PASSES)
    more = ["--field-port", "0"] if "false" in options else []
    assert run(monkeypatch, str(folder), *options.split(), *more) == 2
    assert words in " ".join(capsys.readouterr().err.split())
