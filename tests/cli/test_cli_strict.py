"""`softctl check --strict`: forms outside the standard become errors."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from softctl.cli import main

DEMO = Path(__file__).parents[2] / "configs" / "glasshouse_feed"


def test_strict_turns_departures_into_errors(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A missing ; behind END_IF is a warning, and with --strict an error and exit code 2."""
    folder = tmp_path / "machine"
    shutil.copytree(DEMO, folder)
    program = folder / "feed.st"
    text = program.read_text("utf-8")
    action = "ACTION Strict_case:\n    IF LSL_101 THEN ; END_IF\nEND_ACTION\n"
    program.write_text(text.replace("END_PROGRAM", action + "END_PROGRAM"), "utf-8")
    codes = []
    for options in ([], ["--strict"]):
        monkeypatch.setattr("sys.argv", ["softctl", "check", str(folder), *options])
        with pytest.raises(SystemExit) as end:
            main()
        codes.append(int(end.value.code or 0))
    assert codes == [0, 2]
    assert "END_IF without ;" in capsys.readouterr().err
