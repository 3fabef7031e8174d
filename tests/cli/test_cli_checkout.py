"""The checkout's command without anybody in front of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from softctl.checkout import Verdict
from softctl.cli.checkout import Options, run_checkout
from softctl.errors import SoftctlError
from softctl.runtime.checkout_file import SESSION_FILE, CheckoutFile
from softctl.runtime.checkouts import Choice, open_checkout
from softctl.runtime.folder import demo_folder, load_folder
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
