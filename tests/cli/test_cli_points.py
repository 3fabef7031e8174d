"""The register map on terminals of every width, and the tag list as a file."""

from __future__ import annotations

import csv
import io

import pytest
from rich.console import Console

from softctl.cli import register_map
from softctl.errors import SoftctlError
from softctl.machine import Machine
from softctl.machine.register_map import register_map as rows_of
from softctl.runtime.folder import demo_folder, read_machine


@pytest.fixture(scope="module")
def machine() -> Machine:
    return read_machine(demo_folder())


def _shown(machine: Machine, server: str, width: int) -> list[str]:
    console = Console(width=width, file=io.StringIO())
    rows = [row for row in rows_of(machine) if row.server == server]
    register_map._print_rows(console, rows)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue().splitlines()


@pytest.mark.parametrize("width", [60, 80, 140, 200])
@pytest.mark.parametrize("server", ["field", "hmi"])
def test_no_line_is_wider_than_the_terminal_and_nothing_is_lost(machine, server, width) -> None:
    """Every name, order, range and word of each description is there."""
    lines = _shown(machine, server, width)
    assert max(map(len, lines)) <= width
    words = set(" ".join(lines).replace(";", " ").split())
    for row in rows_of(machine):
        if row.server == server:
            text = f"{row.name} {row.number} {row.word_order} {row.range} {row.scale}"
            text += f" {row.description}"
            assert {*text.replace(";", " ").split()} - words == set()


def test_wide_terminals_have_columns_for_order_and_scale(machine) -> None:
    """The head names them, and they stand beneath it."""
    lines = _shown(machine, "hmi", 140)
    stir = next(line for line in lines if "STIR_TIME" in line)
    for head, text in (("order", "CDAB"), ("range", "5 s"), ("scale", "1 = 1 ms")):
        assert stir.index(text) == lines[0].index(head)


def test_narrow_terminals_show_them_underneath(machine) -> None:
    """The order stays in the row; range, scale and description follow below the name."""
    lines = _shown(machine, "hmi", 80)
    index = next(i for i, line in enumerate(lines) if "STIR_TIME" in line)
    assert "CDAB" in lines[index]
    below = lines[index + 1]
    assert below.strip() == "5 s to 900 s; 1 = 1 ms; Stirring time of a batch"
    assert below.index("5 s") == lines[index].index("STIR_TIME")


def test_the_tag_list_is_written(machine, tmp_path, capsys) -> None:
    """One line for each HMI point, and what was written is told."""
    path = tmp_path / "tags.csv"
    register_map.write_tag_list(machine, path)
    lines = list(csv.DictReader(io.StringIO(path.read_bytes().decode(), newline="")))
    names = {row.name for row in rows_of(machine) if row.server == "hmi"}
    assert {line["name"] for line in lines} == names
    assert capsys.readouterr().out == f"{path}: {len(lines)} tags of the hmi server\n"
    with pytest.raises(SoftctlError, match=r"expected to write /no/such/tags.csv, got No such"):
        register_map.write_tag_list(machine, type(path)("/no/such/tags.csv"))
