"""What `softctl plant --st` and `--xml` print of every folder compiles and behaves the same."""

from __future__ import annotations

import random

import pytest
from typer.testing import CliRunner

from softctl.cli.app import app
from softctl.logic import Source, compile_application
from softctl.logic.exchange import xml_to_st
from softctl.machine import Role
from softctl.plant.library import load_library
from softctl.runtime.folder import MachineFolder, configs_folder, load_folder
from softctl.runtime.starters import starter_names


@pytest.fixture(scope="module", params=starter_names())
def folder(request: pytest.FixtureRequest) -> MachineFolder:
    return load_folder(configs_folder() / request.param)


def printed(folder: MachineFolder, form: str) -> str:
    """What the command prints."""
    result = CliRunner().invoke(app, ["plant", str(folder.path), form])
    assert result.exit_code == 0
    return result.stdout


def behaves_like_the_plant(folder: MachineFolder, sources, library=()) -> None:
    """Driven at random, every terminal of every point is the same in every step."""
    other = compile_application(sources, library=library).instantiate()
    plant = folder.build_plant()
    points = [point for point in folder.machine.points.values() if point.terminal]
    driven = [point.terminal for point in points if point.role is Role.OUTPUT]
    shown = [point.terminal for point in points if point.role is Role.INPUT]
    read, write = plant.reader(shown), plant.writer(driven)
    read_other = other.reader([f"Plant.{name}" for name in shown])
    write_other = other.writer([f"Plant.{name}" for name in driven])
    other.scan(0)  # a plant makes its first call when it is built
    draw = random.Random(5)
    seen = set()
    for _ in range(30):
        commands = [draw.random() < 0.6 for _ in driven]
        write(commands)
        write_other(commands)
        for _ in range(60):
            other.scan(plant.now_ns)
            plant.step()
            assert read_other() == read()
            seen.add(read())
    assert len(seen) > 100


def test_the_st_program(folder: MachineFolder) -> None:
    """Beside softctl's own blocks, and the folder's, the printed program is the plant."""
    text = printed(folder, "--st")
    assert text == folder.build_plant().source
    library = load_library(folder.machine, folder.blocks, [])
    sources = [*folder.blocks, Source("plant.st", text)]
    behaves_like_the_plant(folder, sources, library.standard)


def test_the_document(folder: MachineFolder) -> None:
    """The IEC 61131-10 document holds blocks and wiring, and is the plant when read again."""
    text = printed(folder, "--xml")
    for equipment in folder.machine.equipment.values():
        assert f'<FunctionBlock name="{equipment.type}">' in text
    back = xml_to_st(text, "plant.xml")
    assert back.left == ()
    behaves_like_the_plant(folder, [Source("plant.st", back.text)])
