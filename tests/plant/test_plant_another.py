"""Plants of one compiled program: each is the one that its seed alone would give."""

from __future__ import annotations

from dataclasses import replace

import pytest

from softctl.machine import Scalar
from softctl.plant import Fault, Plant, build_plant, simulation
from softctl.plant.values import literal_value
from softctl.runtime.folder import MachineFolder, configs_folder, load_folder

THREE_MINUTES_NS = 180_000_000_000


@pytest.fixture(scope="module", params=["sump_station", "crate_sorter"])
def folder(request: pytest.FixtureRequest) -> MachineFolder:
    return load_folder(configs_folder() / request.param)


def _state(plant: Plant) -> object:
    return plant.snapshot().inner


def test_another_plant_is_the_one_that_its_seed_gives(folder: MachineFolder) -> None:
    """After three minutes its whole state is that of a plant generated with the seed."""
    shared = folder.build_plant().another(99)
    own = build_plant(replace(folder.machine, seed=99), folder.blocks)
    for plant in (shared, own):
        plant.advance(THREE_MINUTES_NS)
    assert _state(shared) == _state(own)


def test_another_seed_draws_other_numbers(folder: MachineFolder) -> None:
    """Two seeds part; the same one twice does not."""
    first = folder.build_plant()
    plants = [first.another(3), first.another(4), first.another(3)]
    for plant in plants:
        plant.advance(THREE_MINUTES_NS)
    assert _state(plants[0]) == _state(plants[2])
    assert _state(plants[0]) != _state(plants[1])


def test_the_first_plant_is_left_alone(folder: MachineFolder) -> None:
    """Neither making nor running another one changes it."""
    first, witness = folder.build_plant(), folder.build_plant()
    first.another(5).advance(THREE_MINUTES_NS)
    assert first.now_ns == 0
    for plant in (first, witness):
        plant.advance(THREE_MINUTES_NS)
    assert _state(first) == _state(witness)


def test_a_fault_breaks_one_plant_only() -> None:
    """What is injected into a plant is not in those of the same program."""
    first = load_folder(configs_folder() / "sump_station").build_plant()
    second = first.another(2)
    first.inject(Fault("Q_201", "lost supply"))
    for plant in (first, second):
        plant.advance(THREE_MINUTES_NS)
    assert [fault.name for fault in first.active_faults()] == ["lost supply"]
    assert second.active_faults() == []
    assert float(first.read("T_201.level")) < 1.141 < float(second.read("T_201.level"))


def test_other_values_share_the_program_and_change_nothing_else(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A machine with other parameters is what it would be if it were compiled alone."""
    machine = load_folder(configs_folder() / "glasshouse_feed").machine
    changed = {
        "T_101": {"diameter": "0.61 m", "initial_level": "0.2 m"},
        "P_101": {"rated_flow": "37 L/min"},
        "LT_101": {"lag": "0.9 s"},
    }
    equipment = {
        name: replace(
            piece,
            parameters={
                **piece.parameters,
                **{k: Scalar(v, piece.place) for k, v in changed.get(name, {}).items()},
            },
        )
        for name, piece in machine.equipment.items()
    }
    other = replace(machine, equipment=equipment)
    monkeypatch.setattr(simulation, "_programs", {})
    first, shared = build_plant(machine), build_plant(other)
    assert len(simulation._programs) == 1
    monkeypatch.setattr(simulation, "_programs", {})
    alone = build_plant(other)
    assert shared.source == alone.source != first.source
    for plant in (shared, alone, shared.another(4), alone.another(4)):
        plant.write("P_101.run", True)
        plant.advance(THREE_MINUTES_NS)
    assert _state(shared) == _state(alone)
    assert _state(shared) != _state(first)
    assert shared.read("T_101.volume") > alone.another(4).read("T_101.volume")


@pytest.mark.parametrize(
    ("text", "value"),
    [("TRUE", True), ("7", 7), ("0.25", 0.25), ("1e-07", 1e-07), ("T#1500ms", 1_500_000_000)],
)
def test_literals_stand_for_their_values(text: str, value: object) -> None:
    """What a program declares as text is the value that a shared one is given."""
    found = literal_value(text)
    assert (found, type(found)) == (value, type(value))
