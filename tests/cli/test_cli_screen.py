"""The status screen."""

from __future__ import annotations

from io import StringIO

from rich.console import Console

from softctl.cli.screen import draw
from softctl.cli.status import Status
from softctl.control import ControlFault, Controller
from softctl.runtime.folder import demo_folder, load_folder


def shown(status: Status) -> str:
    """The screen as plain text."""
    console = Console(width=200, color_system=None, file=StringIO(), record=True)
    console.print(draw(status, ["something happened"]))
    return console.export_text()


def test_programs_that_do_not_run_are_named_in_words() -> None:
    """Stopped by a person, by a fault, or running: a cue that needs no colour."""
    folder = load_folder(demo_folder())
    controller = Controller(folder.machine, folder.application)
    status = Status(folder.machine, None, controller)
    text = shown(status)
    assert "COMMS ALARM" in text
    assert "STOPPED" not in text
    assert "something happened" in text
    controller.stop(0, "me")
    assert "! PROGRAMS STOPPED: outputs at fail-safe" in shown(status)
    controller.restart()
    assert "STOPPED" not in shown(status)
    controller.fail(ControlFault("a scan hung"), 0)
    text = shown(status)
    assert "! PROGRAM STOPPED: a scan hung" in text
    assert "PROGRAMS STOPPED" not in text


def test_alarms_forces_and_broken_guards_are_always_shown() -> None:
    """Who waits for somebody stands first; nothing of it is hidden while it lasts."""
    folder = load_folder(demo_folder())
    controller = Controller(folder.machine, folder.application)
    status = Status(folder.machine, None, controller)
    assert "!  " not in shown(status).replace("! COMMS ALARM", "")
    controller.instance.force("LT_101", 1.3)
    controller.watch.guards_broken = 2
    for scan in range(60):
        controller.scan(scan * 50_000_000)
    text = shown(status)
    assert "! LAHH_101  Day tank above its upper switch  (high, unacknowledged)" in text
    assert "! forced: LT_101 held at 1.3" in text
    assert "! guards broken: 2" in text
    controller.instance.release_all()
    assert "forced" not in shown(status)
