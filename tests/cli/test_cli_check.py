"""`softctl check` on folders that somebody got wrong: exit code 2, places, no traceback."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from softctl.cli import main

DEMO = Path(__file__).parents[2] / "configs" / "glasshouse_feed"

BROKEN = {
    "two points on one channel": ("channel: 9", "channel: 8", "ZSC_101"),
    "channel beyond the card": ("channel: 9", "channel: 16", "channel"),
    "unknown card": ("card: AI_1", "card: AI_2", "AI_1"),
    "unknown kind of card": ("kind: analog input", "kind: analogue input", "analog input"),
    "unknown key": ("fail_safe: false}", "failsafe: false}", "fail_safe"),
    "duplicate key": (
        "  STOP: {role: command",
        "  START: {role: command",
        "START",
    ),
    "wrong unit": ("height: 1.43 m", "height: 1.43 s", "length"),
    "no unit": ("diameter: 0.58 m", "diameter: 0.58", "diameter"),
    "unknown unit": ("rated_flow: 41 L/min", "rated_flow: 41 L/moon", "moon"),
    "wrong type": ("channels: 16", "channels: sixteen", "sixteen"),
    "level out of range": ("initial_level: 0.07 m", "initial_level: 70 m", "initial_level"),
    "unknown vessel": ("to: T_101", "to: T_1O1", "T_101"),
    "unknown terminal": ("wired: P_101.running", "wired: P_101.runing", "running"),
    "output wired to an output": ("wired: P_101.run\n", "wired: P_101.running\n", "P_101"),
    "unknown equipment type": ("type: agitator", "type: agitater", "agitator"),
    "set point outside its range": ("initial: 75 s", "initial: 75 min", "75 min"),
    "range upside down": ("range: [0, 1.38]", "range: [1.38, 0]", "1.38"),
    "unknown role": ("role: setpoint", "role: set_point", "setpoint"),
    "unknown word order": ("word_order: CDAB", "word_order: CADB", "CDAB"),
    "port out of range": ("port: 15021", "port: 150210", "150210"),
    "missing program": ("[feed.st]", "[fede.st]", "fede.st"),
    "unknown chart": ("chart: Feed", "chart: Fede", "Feed"),
    "not YAML": ("points:\n", "points: [\n", "machine.yaml"),
    "keyword as a name": ("  BATCHES: {", "  WHILE: {", "WHILE"),
    "unknown species": ("{calcium nitrate: 4.8 kg/m3}", "{calcium nitrite: 4.8 kg/m3}", "nitrate"),
}

PLACE = re.compile(r"machine\.yaml:[1-9]\d*:[1-9]\d*")


def run_check(folder: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    """The exit code of the real command line, in this process."""
    monkeypatch.setattr("sys.argv", ["softctl", "check", str(folder)])
    with pytest.raises(SystemExit) as end:
        main()
    return int(end.value.code or 0)


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_machine_file_is_explained(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each mistake gives an error with file, line and column, and exit code 2."""
    old, new, words = BROKEN[name]
    folder = tmp_path / "machine"
    shutil.copytree(DEMO, folder)
    text = (folder / "machine.yaml").read_text()
    assert old in text
    (folder / "machine.yaml").write_text(text.replace(old, new, 1))
    assert run_check(folder, monkeypatch) == 2
    shown = capsys.readouterr().err
    assert PLACE.search(shown), shown
    assert words in shown
    assert "Traceback" not in shown
    assert "internal error" not in shown


def test_a_sound_folder_ends_with_code_0(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The demo passes, so that the cases above fail for their own reason."""
    assert run_check(DEMO, monkeypatch) == 0
    assert "no errors" in capsys.readouterr().out


def test_a_defect_of_our_own_is_a_message_too(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Even an error nobody foresaw reaches the user as words, with its own exit code."""

    def fail(_: Path, *, strict: bool = False) -> None:
        raise ZeroDivisionError("made up")

    monkeypatch.setattr("softctl.runtime.folder.load_folder", fail)
    assert run_check(DEMO, monkeypatch) == 70
    shown = capsys.readouterr().err
    assert "internal error: ZeroDivisionError: made up" in shown
    assert "Traceback" not in shown


def test_checking_the_demo_imports_nothing_heavy() -> None:
    """pint alone would take a tenth of a second more, and numpy or cryptography as much."""
    heavy = ["pint", "numpy", "cryptography", "pymodbus", "rich", "sqlite3", "asyncio", "lxml"]
    code = (
        "import sys; from softctl.runtime.folder import demo_folder, load_folder;"
        "load_folder(demo_folder());"
        f"print([name for name in {heavy} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
