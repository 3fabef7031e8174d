"""Programs that fail while they run."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from virtual import VirtualMachine

from softctl.runtime.folder import demo_folder, load_folder


def demo_with(tmp_path: Path, action: str) -> VirtualMachine:
    """The demo, with another text in place of what it does after each batch."""
    folder = tmp_path / "machine"
    shutil.copytree(demo_folder(), folder)
    program = folder / "feed.st"
    text = program.read_text()
    assert "BATCHES := BATCHES + 1;" in text
    text = text.replace("CountBatch(P);", "CountBatch(N);").replace("Counting", "Idling")
    text = text.replace("BATCHES := BATCHES + 1;", action)
    text = text.replace("STEP Feeding:\n", "STEP Feeding:\n  CountBatch(N);\n")
    program.write_text(text)
    return VirtualMachine(load_folder(folder))


@pytest.mark.parametrize(
    ("action", "words"),
    [
        ("BATCHES := 1000 / (BATCHES - BATCHES);", "divi"),
        ("WHILE RUNNING OR TRUE DO BATCHES := BATCHES + 1; END_WHILE", "loop"),
    ],
)
def test_a_failing_program_stops_everything_and_says_where(
    tmp_path: Path, action: str, words: str
) -> None:
    """A run-time error drives every output to fail-safe for good and names file and line."""
    machine = demo_with(tmp_path, action)
    line = 1 + next(
        number
        for number, text in enumerate((tmp_path / "machine" / "feed.st").read_text().splitlines())
        if action in text
    )
    machine.scan()
    machine.command("START")
    values = machine.run_until(lambda v: bool(v["PROGRAM_FAULT"]), 30)
    assert not any(values[name] for name in ("P_101", "P_102", "A_101", "XV_101"))
    fault = str(machine.controller.fault)
    assert f"feed.st:{line}" in fault
    assert words in fault
    machine.command("START")
    for _ in range(20):
        values = machine.scan()
    assert not values["P_101"], "only a restart brings a failed program back"
    assert values["PROGRAM_FAULT"] is True
