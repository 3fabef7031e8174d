"""The plant of the demonstration machine."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from softctl.machine import Machine, parse_machine
from softctl.plant import Plant, build_plant, check_plant

FOLDER = Path(__file__).parents[2] / "configs" / "glasshouse_feed"


@pytest.fixture(scope="module")
def machine() -> Machine:
    path = FOLDER / "machine.yaml"
    return parse_machine(path.read_text(encoding="utf-8"), str(path))


def at_step(machine: Machine, milliseconds: int) -> Plant:
    return build_plant(dataclasses.replace(machine, plant_step_ns=milliseconds * 1_000_000))


def until(plant: Plant, terminal: str, value: bool) -> None:
    read = plant.reader([terminal])
    deadline = plant.now_ns + 900 * 10**9
    while read()[0] is not value:
        plant.step()
        assert plant.now_ns < deadline, f"{terminal} never became {value}"


def batch(plant: Plant) -> list[float]:
    """One batch by hand; the times at which the switches changed."""
    times = plant.reader(["LSL_101.changed_at_s", "LSH_101.changed_at_s"])
    plant.writer(["P_101.run", "P_102.run"])([True, True])
    until(plant, "LSH_101.actuated", True)
    filled = times()
    # From here on at a whole second, so that commands come at the same time at any step.
    settle(plant, filled[1])
    plant.writer(["P_101.run", "P_102.run", "A_101.run"])([False, False, True])
    settle(plant, filled[1] + 60)
    plant.writer(["A_101.run", "XV_101.open"])([False, True])
    until(plant, "LSL_101.actuated", False)
    return [*filled, times()[0]]


def settle(plant: Plant, seconds: float) -> None:
    while plant.now_ns < (int(seconds) + 2) * 10**9:
        plant.step()


def test_the_demo_has_no_problems(machine):
    """Equipment and terminals of the demonstration machine are right."""
    assert check_plant(machine) == []


def test_a_batch(machine):
    """A batch takes a few minutes, is blended, and empties into the header."""
    plant = at_step(machine, 10)
    low_s, high_s, end_s = batch(plant)
    assert 20 < low_s < 80
    assert 120 < high_s < 300
    assert 60 < end_s - high_s - 62 < 240
    assert plant.read("T_101.unevenness") < 0.01
    assert plant.read("T_101.overflowed") == 0
    received = plant.read("H_101.received")
    delivered = plant.read("S_101.delivered") + plant.read("S_102.delivered")
    start = 0.07 * plant.read("T_101.volume") / plant.read("T_101.level")
    assert received + plant.read("T_101.volume") == pytest.approx(delivered + start, rel=1e-12)


@pytest.mark.parametrize("milliseconds", [50, 100])
def test_switch_events_do_not_depend_on_the_step(machine, milliseconds):
    """Each switch changes at the same time at 2 ms and at longer steps, to 1 ms."""
    coarse, fine = batch(at_step(machine, milliseconds)), batch(at_step(machine, 2))
    assert coarse == pytest.approx(fine, abs=1e-3)
