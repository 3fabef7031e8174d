"""The command that starts a machine folder of one's own."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from softctl.cli.app import app
from softctl.errors import SoftctlError
from softctl.runtime.folder import configs_folder, load_folder
from softctl.runtime.starters import start_folder, starter_names


@pytest.mark.parametrize("like", starter_names())
def test_every_folder_is_a_starter(tmp_path: Path, like: str) -> None:
    """The copy has the same files and no errors, and the machine has the folder's name."""
    target = tmp_path / "my_machine"
    written = start_folder(target, like)
    source = configs_folder() / like
    wanted = {path.relative_to(source) for path in source.rglob("*") if path.is_file()}
    assert {path.relative_to(target) for path in written} == wanted
    assert load_folder(target).machine.name == "my_machine"


def test_a_name_that_no_machine_can_have(tmp_path: Path) -> None:
    """Then the machine keeps the name that it had."""
    start_folder(tmp_path / "my skid 2", "sump_station")
    assert load_folder(tmp_path / "my skid 2").machine.name == "sump_station"


def test_nothing_is_replaced(tmp_path: Path) -> None:
    """A folder with a file in it is left as it is; an empty one is filled."""
    (tmp_path / "machine.yaml").write_text("mine", encoding="utf-8")
    with pytest.raises(SoftctlError, match=r"expected a new or an empty folder.*replaced"):
        start_folder(tmp_path, "sump_station")
    with pytest.raises(SoftctlError, match="a file: nothing"):
        start_folder(tmp_path / "machine.yaml", "sump_station")
    assert (tmp_path / "machine.yaml").read_text(encoding="utf-8") == "mine"
    assert len(list(tmp_path.iterdir())) == 1
    (tmp_path / "empty").mkdir()
    assert start_folder(tmp_path / "empty", "sump_station")


def test_an_unknown_machine(tmp_path: Path) -> None:
    """The message lists those that there are, and the one that was probably meant."""
    with pytest.raises(SoftctlError, match=r"expected one of .*did you mean sump_station\?"):
        start_folder(tmp_path / "new", "sump_statoin")
    assert not (tmp_path / "new").exists()


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    """A file where a folder is needed is an error without a traceback."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(SoftctlError, match="expected a folder that can be written"):
        start_folder(tmp_path / "file" / "new", "sump_station")


def test_the_command(tmp_path: Path) -> None:
    """It lists what it wrote and says what comes next."""
    result = CliRunner().invoke(app, ["new", str(tmp_path / "own"), "--like", "wash_skid"])
    assert result.exit_code == 0
    assert "machine.yaml" in result.stdout
    assert "softctl check" in result.stdout
