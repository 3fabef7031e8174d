"""`softctl plant`, as a user calls it."""

from __future__ import annotations

from typer.testing import CliRunner

from softctl.cli.app import app
from softctl.plant.library import standard_names


def call(*arguments: str) -> str:
    result = CliRunner().invoke(app, ["plant", *arguments])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_the_faults_of_a_machine() -> None:
    """Each piece of equipment with what can break in it, and the sizes that has."""
    lines = [line.split() for line in call("--faults").splitlines()]
    assert ["LSH_101", "level_switch", "broken", "wire"] in lines
    assert ["P_101", "pump", "blocked", "line", "0", "to", "1", "1"] in lines
    assert ["LT_101", "level_transmitter", "noise", "0", "to", "1000", "m"] in lines


def test_the_types_that_there_are() -> None:
    """A table for documents with a line for each type."""
    lines = call("--types").splitlines()
    assert len(lines) == 2 + len(standard_names())
    assert any(line.startswith("| `pump` | Centrifugal pump") for line in lines)
