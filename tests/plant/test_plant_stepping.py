"""A hastened plant does what one does that is stepped call by call, whatever is done to it."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import pytest

from softctl.logic import FusedRun, Instance, LogicFault, application, fused
from softctl.machine import Machine, Role
from softctl.plant import Fault, Plant
from softctl.runtime.folder import configs_folder, load_folder

FOLDERS = ("glasshouse_feed", "wash_skid", "sump_station", "crate_sorter")
SCAN_NS = 50_000_000


@pytest.fixture(scope="module", params=FOLDERS)
def plants(request: pytest.FixtureRequest) -> Plants:
    folder = load_folder(configs_folder() / request.param)
    return Plants(folder.machine, folder.build_plant())


class Plants:
    """Plants of one compiled program in their initial state."""

    def __init__(self, machine: Machine, first: Plant) -> None:
        self.machine = machine
        self._first = first

    def plain(self) -> Plant:
        """One that is stepped call by call."""
        return self._first.another(self.machine.seed)

    def fast(self) -> Plant:
        """One that is hastened at its first step, or at once if that was done before."""
        plant = self.plain()
        self.connect(plant)
        plant.hasten()
        return plant

    def connect(self, plant: Plant) -> tuple[Any, Any]:
        """Writer and reader of what its cards drive and sense."""
        points = [p for p in self.machine.points.values() if p.terminal]
        given = [p.terminal for p in points if p.role is Role.OUTPUT]
        return plant.connect(given, [p.terminal for p in points if p.role is Role.INPUT])


@pytest.fixture(autouse=True)
def spans(monkeypatch: pytest.MonkeyPatch) -> list[range]:
    """Plants are hastened at their first step; what ran many steps at once is told here."""
    told: list[range] = []
    scan_fused = Instance.scan_fused

    def tell(self: Instance, run: FusedRun, span: range) -> None:
        told.append(span)
        scan_fused(self, run, span)

    monkeypatch.setattr(application, "WORTH_SCANS", 1)
    monkeypatch.setattr(fused, "WORTH_SCANS", 1)
    monkeypatch.setattr(Instance, "scan_fused", tell)
    return told


class Driver:
    """Drives a plant's terminals at random, as cards do, and now and then breaks it."""

    def __init__(self, plants: Plants, plant: Plant, seed: int, *, is_fast: bool) -> None:
        self.plant = plant
        self._is_fast = is_fast
        self._rng = random.Random(seed)
        outputs = [p for p in plants.machine.points.values() if p.role is Role.OUTPUT]
        self._values = [p.safe_value for p in outputs if p.terminal]
        self._write, self._read = plants.connect(plant)
        self._faults = [
            (name, fault)
            for name, _ in plants.machine.equipment.items()
            for fault in plant.faults(name)
        ]

    def scan(self) -> tuple[object, ...]:
        """One scan's worth: outputs change now and then, seldom a fault comes or goes."""
        rng, plant = self._rng, self.plant
        for index, value in enumerate(self._values):
            if rng.random() < 0.02:
                self._values[index] = (not value) if isinstance(value, bool) else rng.random()
        self._write(self._values)
        if rng.random() < 0.01:
            self._break()
        if rng.random() < 0.005:
            plant.clear_faults()
        self._advance(plant.now_ns + SCAN_NS)
        return self._read()

    def _advance(self, until_ns: int) -> None:
        if self._is_fast:
            self.plant.advance(until_ns)
        while self.plant.now_ns < until_ns:
            self.plant.step()

    def _break(self) -> None:
        name, fault = self._rng.choice(self._faults)
        port = self.plant.fault_port(name, fault)
        sized = port.fault_value is None and port.fault_size is not None
        ramp_ns = self._rng.choice((0, 300_000_000)) if sized else 0
        for_ns = self._rng.choice((None, 730_000_000))
        at_ns = self.plant.now_ns + self._rng.randrange(2) * 123_000_000
        if sized or port.fault_value is not None:
            self.plant.inject(Fault(name, fault, at_ns=at_ns, for_ns=for_ns, ramp_ns=ramp_ns))


def test_a_hastened_plant_goes_the_same_way(plants: Plants, spans: list[range]) -> None:
    """Readings of 600 scans, and the whole state every 100 scans, are the same to the bit.

    So is any variable for a reader that was made before.
    """
    plain, fast = plants.plain(), plants.plain()
    paths = [p.terminal for p in plants.machine.points.values() if p.terminal]
    paths += [f"{row.name}.volume" for row in fast.summary()]
    read_plain, read_fast = plain.reader(paths), fast.reader(paths)
    drivers = [Driver(plants, plant, 1, is_fast=plant is fast) for plant in (plain, fast)]
    fast.hasten()
    for number in range(600):
        assert drivers[0].scan() == drivers[1].scan()
        if number % 20 == 19:
            assert read_plain() == read_fast()
        if number % 100 == 99:
            assert fast.snapshot() == plain.snapshot()
    assert sum(map(len, spans)) > 0.5 * 600 * SCAN_NS / fast.step_ns


def test_a_snapshot_and_its_return_are_those_of_the_moment(
    plants: Plants, spans: list[range]
) -> None:
    """Going back and on again gives the same as before."""
    fast = plants.fast()
    driver = Driver(plants, fast, 5, is_fast=True)
    fast.hasten()
    for _ in range(30):
        driver.scan()
    before = fast.snapshot()
    fast.advance(fast.now_ns + 20 * SCAN_NS)
    after = fast.snapshot()
    fast.restore(before)
    assert fast.snapshot() == before
    fast.advance(fast.now_ns + 20 * SCAN_NS)
    assert fast.snapshot() == after
    assert spans


def test_another_plant_is_fast_from_its_second_run(plants: Plants, spans: list[range]) -> None:
    """Once the function of a program has been made, its other plants do not wait for it."""
    first, other = plants.fast(), plants.plain()
    first.advance(10 * first.step_ns)
    spans.clear()
    plants.connect(other)
    other.hasten()
    other.advance(10 * other.step_ns)
    other.advance(20 * other.step_ns)
    assert [len(span) for span in spans] == [10]


def test_a_plant_that_fails_stands_at_the_step_that_did(
    build: Callable[..., Plant], spans: list[range]
) -> None:
    """A block of the folder that divides by zero ends a run where single steps would end."""
    text = (
        "FUNCTION_BLOCK countdown VAR_OUTPUT n : LREAL := 10.0; rate : LREAL; END_VAR\n"
        "n := n - 1.0;\nrate := 1.0 / n;\nEND_FUNCTION_BLOCK"
    )
    plants = [build("C_1: {type: countdown}", blocks=text) for _ in range(2)]
    plants[1].hasten()
    faults = []
    for plant in plants:
        plant.advance(2 * plant.step_ns)
        with pytest.raises(LogicFault) as caught:
            plant.advance(1_000_000_000)
        faults.append(str(caught.value))
    assert faults[0] == faults[1]
    assert "rig/blocks.st:3" in faults[0]
    assert plants[0].now_ns == plants[1].now_ns
    assert plants[0].snapshot() == plants[1].snapshot()
    assert spans
