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
