"""The checkout's command without anybody in front of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from rich.console import Console

from softctl.checkout import Verdict
from softctl.cli.checkout import Options, Talk, run_checkout
from softctl.errors import SoftctlError
from softctl.runtime.checkout_file import SESSION_FILE, CheckoutFile
from softctl.runtime.checkouts import CheckoutService, Choice, open_checkout
from softctl.runtime.folder import MachineFolder, demo_folder, load_folder
from softctl.runtime.records import RecordFiles


def options(state: Path, *names: str, is_new: bool = False) -> Options:
    return Options(
        folder=None,
        choice=Choice(names),
        only="open",
        reviewer="",
        tolerance=0.005,
        blind=False,
        session=None,
        state=state,
        is_new=is_new,
        report_only=True,
    )


def test_the_record_is_written_again_without_asking(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was said before is there; with a new session it is open, and the old one kept."""
    file = CheckoutFile(tmp_path / SESSION_FILE)
    checkout = open_checkout(load_folder(demo_folder()), file=file, choice=Choice(("START",)))
    checkout.decide("START:press", Verdict.PASS)
    file.close()
    files = RecordFiles(csv=tmp_path / "record.csv", html=tmp_path / "record.html")
    assert run_checkout(options(tmp_path, "START"), (None, None), files)
    assert "1 of 1 steps passed" in capsys.readouterr().out
    assert "START:press" in (tmp_path / "record.csv").read_text(encoding="utf-8")
    assert "machine.yaml" in (tmp_path / "record.html").read_text(encoding="utf-8")
    assert not run_checkout(options(tmp_path, "START", is_new=True), (None, None), files)
    assert "0 of 1 steps passed, 1 open" in capsys.readouterr().out
    assert (tmp_path / "checkout.1.jsonl").is_file()


def test_what_cannot_be_chosen_or_written_is_told_at_once(tmp_path: Path) -> None:
    """Before a session is begun."""
    with pytest.raises(SoftctlError, match="got STRAT; did you mean START"):
        run_checkout(options(tmp_path, "STRAT"), (None, None), RecordFiles())
    nowhere = RecordFiles(html=tmp_path / "no" / "x.html")
    with pytest.raises(SoftctlError, match="expected a file in a folder that exists"):
        run_checkout(options(tmp_path, "START"), (None, None), nowhere)
    assert list(tmp_path.iterdir()) == []


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(demo_folder())


class Typed:
    """Lines that somebody has typed."""

    def __init__(self, *lines: str) -> None:
        self.lines = list(lines)

    async def next(self) -> str | None:
        return self.lines.pop(0) if self.lines else None


async def talked(folder: MachineFolder, *lines: str, blind: bool = False):
    """The verdicts after a talk about a switch and a level, and what was shown."""
    checkout = open_checkout(folder, choice=Choice(("LSL_101", "LT_101:?5%", "START")))
    console = Console(record=True, width=160, highlight=False, quiet=False)
    talk = Talk(console, CheckoutService(checkout), Typed(*lines), blind=blind)  # type: ignore[arg-type]
    await talk.walk(checkout.steps)
    found = {one.step: (one.verdict.value, one.comment) for one in checkout.session.attempts}
    return found, console.export_text()


async def test_a_talk_takes_verdicts_answers_and_comments(folder: MachineFolder) -> None:
    """Every word that it knows; after the last line it ends, and the rest stays open."""
    found, text = await talked(folder, "pass", "fail too dim", "0.345 # ok", "skip no time")
    assert found == {
        "LSL_101:on": ("pass", ""),
        "LSL_101:off": ("fail", "too dim"),
        "LT_101:25%": ("pass", "ok"),
        "LT_101:75%": ("skipped", "no time"),
    }
    assert "Press it once." in text
    assert "No HMI is connected" in text


async def test_a_talk_goes_back_and_leaves_points_out(folder: MachineFolder) -> None:
    """Back shows what was said before; a point is skipped with all its steps."""
    found, text = await talked(folder, "off", "back", "on", "again", "skip all later", "quit")
    assert found["LSL_101:on"] == ("pass", "")
    assert found["LSL_101:off"] == ("skipped", "later")
    assert "before: ✗ fail  understood: off" in text
    found, _ = await talked(folder, "skip all", "skip all", "quit")
    assert {name: verdict for name, (verdict, _) in found.items()} == dict.fromkeys(
        ("LSL_101:on", "LSL_101:off", "LT_101:25%", "LT_101:75%"), "skipped"
    )


async def test_what_a_talk_cannot_take_it_asks_again(folder: MachineFolder) -> None:
    """An unclear answer, a fail without a reason, and help."""
    found, text = await talked(folder, "purple", "fail", "help", "= on", "quit")
    assert found == {"LSL_101:on": ("pass", "")}
    assert "expected on or off, got 'purple'" in text
    assert "expected a comment with a fail" in text
    assert "the next run goes on here" in text


async def test_a_blind_talk_does_not_say_what_is_put(folder: MachineFolder) -> None:
    """Nor takes a pass for an answer."""
    found, text = await talked(folder, "pass", "on", "off", "quit", blind=True)
    assert found == {"LSL_101:on": ("pass", ""), "LSL_101:off": ("pass", "")}
    assert "put:" not in text
    assert "since this checkout is blind" in text


async def test_an_operation_is_judged_when_it_is_said_to_be_done(folder: MachineFolder) -> None:
    """Nothing came, so it failed."""
    checkout = open_checkout(folder, choice=Choice(("START",)))
    console = Console(record=True, width=160)
    talk = Talk(console, CheckoutService(checkout), Typed(""), blind=False)  # type: ignore[arg-type]
    await talk.walk(checkout.steps)
    assert "✗ fail  seen: nothing was written" in console.export_text()
