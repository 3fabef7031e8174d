"""Cylinders: strokes, end switches, coils, faults."""

from __future__ import annotations

import pytest

from softctl.plant import Fault

SPRING = "Y_1: {type: cylinder, stroke: 250 mm, extend_time: 0.83 s, retract_time: 1.21 s}"
TWO_COILS = SPRING.replace("stroke:", "spring_return: false, stroke:")


@pytest.mark.parametrize("step", ["1 ms", "10 ms", "100 ms"])
def test_strokes_take_their_times(build, run, step):
    """The rod arrives after its stroke times, found inside the step."""
    plant = build(SPRING, step)
    switches = plant.reader(["Y_1.retracted", "Y_1.extended"])
    assert switches() == (True, False)
    plant.write("Y_1.extend", True)
    run(plant, 0.4)
    assert switches() == (False, False)
    assert plant.read("Y_1.position") == pytest.approx(0.25 * 0.4 / 0.83)
    run(plant, 0.6)
    assert switches() == (False, True)
    assert plant.read("Y_1.reached_at_s") == pytest.approx(0.83, abs=1e-9)
    plant.write("Y_1.extend", False)
    run(plant, 1.3)
    assert switches() == (True, False)
    assert plant.read("Y_1.reached_at_s") == pytest.approx(2.21, abs=1e-9)


def test_two_coils(build, run):
    """Without a spring the rod goes by the coil that is energised alone, and stays without."""
    plant = build(TWO_COILS)
    coils = plant.writer(["Y_1.extend", "Y_1.retract"])
    coils([True, False])
    run(plant, 0.4)
    held = plant.read("Y_1.position")
    for both in ([False, False], [True, True]):
        coils(both)
        run(plant, 1)
        assert plant.read("Y_1.position") == held
    coils([False, True])
    run(plant, 1)
    assert plant.read("Y_1.retracted") is True


def test_faults(build, run):
    """Lost air, a stuck rod, a slow one and a missing switch."""
    plant = build(SPRING)
    plant.write("Y_1.extend", True)
    run(plant, 1)
    plant.inject(Fault("Y_1", "no extended feedback", at_ns=plant.now_ns, for_ns=10**9))
    plant.step()
    assert plant.read("Y_1.extended") is False
    run(plant, 1)
    assert plant.read("Y_1.extended") is True
    plant.inject(Fault("Y_1", "stuck", at_ns=plant.now_ns, for_ns=10**9))
    plant.inject(Fault("Y_1", "lost supply", at_ns=plant.now_ns))
    run(plant, 1)
    assert plant.read("Y_1.extended") is True
    run(plant, 1.3)
    assert plant.read("Y_1.retracted") is True
    plant.clear_faults()
    plant.inject(Fault("Y_1", "slow", size=2.0))
    run(plant, 0.83)
    assert plant.read("Y_1.position") == pytest.approx(0.125)
