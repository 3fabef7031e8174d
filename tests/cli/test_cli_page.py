"""The command line of the bench page: entries for its people, and settings that go together."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from softctl.cli.app import app
from softctl.cli.options import PageRoleName
from softctl.cli.page import PageOptions, page_options, page_settings
from softctl.errors import ProblemsError, SoftctlError
from softctl.web import people
from softctl.web.access import Role
from softctl.web.people import read_people


@pytest.fixture(autouse=True)
def _cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(people, "COST", 2**14)
    monkeypatch.setattr(people, "LANES", 1)


def options(**given: object) -> PageOptions:
    """Those of a plain `--page 0`, with others in their place."""
    plain: dict[str, object] = {
        "port": 0,
        "role": PageRoleName.ENGINEER,
        "host": "127.0.0.1",
        "people": None,
        "certificate": None,
        "key": None,
        "names": (),
    }
    return PageOptions(**{**plain, **given})  # type: ignore[arg-type]


def test_an_entry_lets_its_person_in() -> None:
    """The line that the command prints is one of the file, and the password is not in it."""
    runner = CliRunner()
    made = runner.invoke(app, ["page-entry", "anna", "--role", "operate"], input="a long secret\n")
    assert made.exit_code == 0
    assert "a long secret" not in made.output
    found = read_people(made.stdout, "people").find("anna", "a long secret")
    assert found is not None
    assert found.role is Role.OPERATE


def test_a_token_is_told_once_and_beside_the_line() -> None:
    """Standard output has the line for the file, standard error the token."""
    made = CliRunner().invoke(app, ["page-entry", "wall", "--token"])
    token = made.stderr.split()[-1]
    assert token not in made.stdout
    found = read_people(made.stdout, "people").find("", token)
    assert found is not None
    assert found.role is Role.VIEW


def test_settings_are_read_with_their_files(tmp_path: Path) -> None:
    """People come from the file; its errors have their lines, and half of TLS is refused."""
    assert page_options(None, PageRoleName.VIEW, "::1", None, (None, None), None) is None
    assert page_settings(options(role=PageRoleName.VIEW)).role is Role.VIEW
    file = tmp_path / "people.txt"
    file.write_text("anna boss\n", encoding="utf-8")
    with pytest.raises(ProblemsError, match="expected a name, a role and a secret, got 2 words"):
        page_settings(options(people=file))
    with pytest.raises(ProblemsError, match="expected a file of people"):
        page_settings(options(people=tmp_path / "none"))
    with pytest.raises(SoftctlError, match="--page-certificate and --page-key, got one"):
        page_settings(options(certificate=file))


def test_nothing_of_the_page_is_imported_before_it_is_asked_for() -> None:
    """The commands know their options without the extra."""
    script = (
        "import sys, softctl.cli.app, softctl.cli.live\n"
        "print([m for m in sys.modules if m.split('.')[0] in ('starlette', 'uvicorn', 'websockets')"
        " or m.startswith('softctl.web')])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
