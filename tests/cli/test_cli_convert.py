"""`softctl convert` and `softctl plant --xml`, as a user calls them."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from softctl.cli.app import app
from softctl.errors import ProblemsError, SoftctlError
from softctl.logic import Source, compile_application
from softctl.logic.exchange import xml_to_st
from softctl.machine import Machine
from softctl.plant import build_plant
from softctl.plant.export import export_plant
from softctl.runtime.folder import demo_folder, load_folder

DEMO = demo_folder() / "feed.st"


def call(*arguments: object):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_there_and_back(tmp_path: Path) -> None:
    """A program goes to XML and back; the way there and back again changes nothing more."""
    xml, back, again = tmp_path / "feed.xml", tmp_path / "back.st", tmp_path / "again.xml"
    first = call("convert", DEMO, xml)
    assert (first.exit_code, "everything carried over" in first.stdout) == (0, True)
    assert call("convert", xml, back).exit_code == 0
    assert call("convert", back, again).exit_code == 0
    bodies = [path.read_text(encoding="utf-8").split("<Types>")[1] for path in (xml, again)]
    assert bodies[0] == bodies[1]


def test_what_was_not_carried_over_is_printed(tmp_path: Path) -> None:
    """The list goes to standard error, its length to the last line."""
    source = tmp_path / "p.st"
    source.write_text("PROGRAM P\nEND_PROGRAM\n(* end *)\n", encoding="utf-8")
    result = call("convert", source, tmp_path / "p.xml")
    assert "p.xml: 1 not carried over" in result.stdout
    assert "not carried over: a comment that belongs to no element" in result.stderr
    assert "p.st:3:1" in result.stderr


def test_a_file_that_is_there_is_kept(tmp_path: Path) -> None:
    """Nothing is overwritten without being asked to."""
    target = tmp_path / "feed.xml"
    target.write_text("mine", encoding="utf-8")
    refused = call("convert", DEMO, target)
    assert isinstance(refused.exception, SoftctlError)
    assert "--overwrite replaces it" in str(refused.exception)
    assert target.read_text(encoding="utf-8") == "mine"
    assert call("convert", DEMO, target, "--overwrite").exit_code == 0
    assert target.read_text(encoding="utf-8").startswith("<?xml")


@pytest.mark.parametrize(
    ("name", "target", "content", "message"),
    [
        ("a.txt", "b.xml", b"", "expected a .st and a .xml file, in either order, got a.txt"),
        ("a.st", "b.st", b"", "expected a .st and a .xml file"),
        ("a.xml", "b.st", b"\xff\xfe<", "expected UTF-8 text in"),
        ("a.xml", "b.st", None, "expected a file that can be read"),
        ("a.st", "no/b.xml", b"", "expected a file that can be written"),
    ],
)
def test_files_that_cannot_be_converted(tmp_path, name, target, content, message) -> None:
    """Endings, encodings and missing files: a clear error."""
    source = tmp_path / name
    if content is not None:
        source.write_bytes(content)
    result = call("convert", source, tmp_path / target)
    assert isinstance(result.exception, SoftctlError)
    assert message in str(result.exception)


def test_errors_of_a_program_stop_the_conversion(tmp_path: Path) -> None:
    """No document is written of a program with syntax errors."""
    source, target = tmp_path / "p.st", tmp_path / "p.xml"
    source.write_text("PROGRAM P x := ; END_PROGRAM", encoding="utf-8")
    assert isinstance(call("convert", source, target).exception, ProblemsError)
    assert not target.exists()


@pytest.fixture(scope="module")
def machine() -> Machine:
    """The demo."""
    return load_folder(demo_folder()).machine


def test_the_exported_plant_is_the_plant(machine: Machine) -> None:
    """Imported again, plant and blocks compute what the plant itself does, step by step."""
    made = export_plant(machine)
    assert made.left == ()
    text = xml_to_st(made.text, "plant.xml").text
    other = compile_application([Source("plant.st", text)]).instantiate()
    plant = build_plant(machine)
    terminals = ["T_101.level", "T_101.volume", "LSH_101.contact", "P_101.flow", "A_101.running"]
    drives = ["P_101.run", "P_102.run", "A_101.run", "XV_101.open"]
    read, write = plant.reader(terminals), plant.writer(drives)
    read_other = other.reader([f"Plant.{name}" for name in terminals])
    write_other = other.writer([f"Plant.{name}" for name in drives])
    other.scan(0)  # a plant makes its first call when it is built
    seen = set()
    for number in range(3000):
        commands = [number < 2000, 100 < number < 2000, 1000 < number < 1500, number > 2200]
        write(commands)
        write_other(commands)
        other.scan(plant.now_ns)
        plant.step()
        assert read_other() == read()
        seen.add(read())
    assert len(seen) > 2000


def test_the_plant_is_printed(machine: Machine) -> None:
    """`plant --xml` prints the document, blocks and all, with the name of the machine."""
    result = call("plant", "--xml")
    assert result.exit_code == 0
    assert '<ContentHeader name="glasshouse_feed plant"' in result.stdout
    blocks = {equipment.type for equipment in machine.equipment.values()}
    for block in blocks:
        assert f'<FunctionBlock name="{block}">' in result.stdout
    assert '<Program name="Plant">' in result.stdout
