"""A block that a user has written is equipment like any other of the folder."""

from __future__ import annotations

from pathlib import Path

import pytest
from folders import AREA_SUMP_M2, CONFIGS
from typer.testing import CliRunner
from virtual import VirtualMachine

from softctl.cli.app import app
from softctl.errors import ProblemsError
from softctl.plant import Fault
from softctl.runtime.folder import MachineFolder, load_folder

WEIR = """\
(*
V-notch weir, through which a sump spills before it overflows.

Equation: Q = 8/15 * discharge_coefficient * SQRT(2 * g) * side_slope * h**2.5, h being
the level over the notch.

Units: SI. Valid for a free fall behind a thin plate. Source: any text on open channels.
*)
{role: line, keys: from to}
FUNCTION_BLOCK notch_weir
VAR_INPUT
    {unit: m, min: 0, max: 50, required, at_most: from.height}
    crest : LREAL;                           // above the vessel's bottom
    {unit: 1, min: 0.05, max: 10}
    side_slope : LREAL := 1.0;               // half the width over the height; 1 is 90 degrees
    {unit: 1, min: 0.1, max: 1}
    discharge_coefficient : LREAL := 0.58;
    {fault: blocked line}
    blocked : BOOL := FALSE;
    {wire: from.level}
    level : LREAL;
    {wire: from.available, less: moved}
    available : LREAL;
    {step}
    step_s : LREAL;
END_VAR
VAR_OUTPUT
    {unit: m3/s}
    flow : LREAL;
    {unit: m3}
    moved : LREAL;
    moved_1 : LREAL;
    moved_2 : LREAL;
    spills : BOOL;
END_VAR
VAR
    ready : BOOL;
END_VAR

flow := 0.0;
IF ready AND level > crest AND NOT blocked THEN
    flow := 8.0 / 15.0 * discharge_coefficient * SQRT(2.0 * 9.80665) * side_slope
            * (level - crest) ** 2.5;
END_IF;
moved := MIN(flow * step_s, available);
spills := flow > 0.0;
ready := TRUE;
END_FUNCTION_BLOCK
"""
EQUIPMENT = "  W_201: {type: notch_weir, from: T_201, to: H_202, crest: 2.6 m, side_slope: 1}\n"
DRAIN = "  H_202: {type: header, elevation: -5 m}\n"
POINT = "  WEIR_201: {description: The sump spills, card: DI_1, wired: W_201.spills}\n"
FLOW = "  FT_202: {type: flow_transmitter, in: W_201, range: [0 L/s, 100 L/s]}\n"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """The pumping station with a weir."""
    source = CONFIGS / "sump_station"
    text = (source / "machine.yaml").read_text(encoding="utf-8")
    text = text.replace("equipment:\n", "equipment:\n" + EQUIPMENT + DRAIN + FLOW, 1)
    text = text.replace("points:\n", "points:\n" + POINT, 1)
    (tmp_path / "machine.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "weir.st").write_text(WEIR, encoding="utf-8")
    program = (source / "station.st").read_text(encoding="utf-8")
    (tmp_path / "station.st").write_text(program, encoding="utf-8")
    return tmp_path


@pytest.fixture
def folder(path: Path) -> MachineFolder:
    return load_folder(path)


def test_it_is_wired_and_seen_by_the_program(folder: MachineFolder) -> None:
    """Without pumps the sump spills at the level where weir and inflow balance.

    By hand for 90 degrees and 0.58: Q = 1.3700 h**2.5 (m, m3/s).
    """
    machine = VirtualMachine(folder)
    plant = machine.device.plant
    plant.write("Q_201.surge", 8.0)
    machine.run_until(lambda v: bool(v["WEIR_201"]), 600)
    assert plant.read("T_201.level") == pytest.approx(2.6, abs=0.01)
    for _ in range(3000):
        machine.scan()
    flow = float(plant.read("Q_201.flow"))
    assert plant.read("T_201.level") - 2.6 == pytest.approx((flow / 1.3700) ** 0.4, rel=0.01)
    assert plant.read("FT_202.signal") == pytest.approx(flow, rel=0.02)
    assert plant.read("T_201.overflowed") == 0
    came = float(plant.read("Q_201.total"))
    held = float(plant.read("T_201.volume")) - 1.14 * AREA_SUMP_M2
    assert plant.read("H_202.received") == pytest.approx(came - held, rel=1e-9)


def test_its_faults_are_faults(folder: MachineFolder) -> None:
    """They are listed, and come and go."""
    plant = folder.build_plant()
    assert plant.faults("W_201") == ("blocked line",)
    plant.inject(Fault("W_201", "blocked line", for_ns=10**9))
    plant.write("T_201.volume", 2.8 * AREA_SUMP_M2)
    while plant.now_ns < 900_000_000:
        plant.step()
    assert plant.read("W_201.flow") == 0
    while plant.now_ns < 1_200_000_000:
        plant.step()
    assert float(plant.read("W_201.flow")) > 0.02


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("crest: 2.6 m, ", "", "expected crest: a notch_weir needs it"),
        ("crest: 2.6 m", "crest: 2.6 s", "expected a length"),
        ("crest: 2.6 m", "crest: 3.4 m", "expected crest at most 3.1 m, the height of T_201"),
        ("crest: 2.6 m", "crests: 2.6 m", "did you mean crest"),
        ("type: notch_weir", "type: notch_wier", "did you mean notch_weir"),
        ("W_201.spills", "W_201.spill", "did you mean spills"),
        ("from: T_201, to: H_202", "from: LSL_201, to: H_202", "that has available"),
    ],
)
def test_mistakes_are_found_at_their_place(path: Path, old: str, new: str, words: str) -> None:
    """As with softctl's own blocks: what was expected, what came, file, line and column."""
    file = path / "machine.yaml"
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ProblemsError) as caught:
        load_folder(path)
    texts = [str(problem) for problem in caught.value.problems]
    assert any(words in one and "machine.yaml:" in one for one in texts), texts


def test_a_mistake_in_the_block_is_found_in_its_file(path: Path) -> None:
    """Not in the generated program."""
    (path / "weir.st").write_text(WEIR.replace("level > crest", "levl > crest"), encoding="utf-8")
    with pytest.raises(ProblemsError, match=r"weir.st:\d+:\d+") as caught:
        load_folder(path)
    assert "did you mean level" in str(caught.value.problems[0])


def test_it_is_listed_and_exported(path: Path) -> None:
    """`softctl plant` shows it with its point; `--st` wires it; `--xml` carries it along."""
    call = CliRunner().invoke
    listed = call(app, ["plant", str(path)]).stdout
    assert any(
        "W_201" in line and "notch_weir" in line and "WEIR_201 (spills)" in line
        for line in listed.splitlines()
    )
    assert "W_201(level := T_201.level" in call(app, ["plant", str(path), "--st"]).stdout
    document = call(app, ["plant", str(path), "--xml"]).stdout
    assert '<FunctionBlock name="notch_weir">' in document
    assert "V-notch weir" in document
