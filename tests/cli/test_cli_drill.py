"""What a person is asked after the drills is in every record."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from softctl.audit.drills import Check, DrillResult, Verdict, choose
from softctl.cli import drill, live
from softctl.runtime.drill_runner import Timing
from softctl.runtime.records import RecordFiles


@pytest.mark.parametrize("ask", [True, False])
def test_answers_are_in_the_records(
    ask: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As they were typed; a bare Enter and an unattended run say so too."""
    passed = Check("polls again", Verdict.PASS, "all of it after 0.2 s")
    results = [DrillResult("cut", "192.0.2.7", (passed,))]

    def run(options: live.Options, **_: object) -> None:
        assert options.drills is not None
        options.drills[2](SimpleNamespace(results=results))  # type: ignore[arg-type]

    monkeypatch.setattr(drill.live, "run", run)
    monkeypatch.setattr(sys, "stdin", io.StringIO("yes, in magenta\n\n"))
    files = RecordFiles(json=tmp_path / "drills.json", html=tmp_path / "drills.html")
    assert drill.run_drills(
        live.Options(None, 1.0, False, None),
        choose(["cut", "delay"]),
        Timing(),
        hmi=(None, None),
        field_port=None,
        ask=ask,
        files=files,
    )
    (only,) = json.loads((tmp_path / "drills.json").read_text(encoding="utf-8"))["drills"]
    expected = ["yes, in magenta", "no answer"] if ask else ["not asked"] * 2
    assert list(only["answers"].values()) == expected
    page = (tmp_path / "drills.html").read_text(encoding="utf-8")
    assert all(answer in page for answer in expected)
    assert "1 of 1 drills passed" in capsys.readouterr().out
