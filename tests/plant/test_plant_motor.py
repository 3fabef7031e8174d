"""Motors: contactor, protection, counters."""

from __future__ import annotations

import math

import pytest

RIG = "M_1: {type: motor, run_up: 2 s, run_down: 4 s, trip_constant: 60 s}"


@pytest.mark.parametrize("step", ["1 ms", "10 ms", "100 ms"])
def test_ramps_and_counters(build, run, step):
    """The speed takes its ramps, and starts and running hours are counted."""
    plant = build(RIG, step)
    plant.write("M_1.run", True)
    run(plant, 1)
    assert plant.read("M_1.speed") == pytest.approx(0.5)
    run(plant, 5)
    assert plant.read("M_1.speed") == pytest.approx(1)
    plant.write("M_1.speed_reference", 0.7)
    run(plant, 3)
    assert plant.read("M_1.speed") == pytest.approx(0.7)
    plant.write("M_1.run", False)
    run(plant, 1)
    assert plant.read("M_1.speed") == pytest.approx(0.45)
    run(plant, 3)
    assert plant.read("M_1.speed") == 0
    assert plant.read("M_1.hours") == pytest.approx(9 / 3600, rel=1e-9)
    assert plant.read("M_1.starts") == 1


@pytest.mark.parametrize("step", ["10 ms", "100 ms"])
@pytest.mark.parametrize("load", [1.2, 1.5, 3.0])
def test_overload_trips_by_its_thermal_image(build, run, load, step):
    """From cold it trips after tau * ln(I**2 / (I**2 - 1.15**2)), closed form of the image."""
    plant = build(RIG, step)
    plant.write("M_1.load", load)
    plant.write("M_1.run", True)
    expected = 60 * math.log(load**2 / (load**2 - 1.15**2))
    while not plant.read("M_1.tripped"):
        plant.step()
        assert plant.now_ns < 400e9
    assert plant.now_ns / 1e9 == pytest.approx(expected, abs=2 * plant.step_ns / 1e9)
    run(plant, 4.2)
    assert plant.read("M_1.running") is False
    assert plant.read("M_1.speed") == 0


def test_rated_current_never_trips(build, run):
    """At 1.05 times its rated current a motor keeps running (IEC 60947-4-1, from memory)."""
    plant = build(RIG, "100 ms")
    plant.write("M_1.load", 1.05)
    plant.write("M_1.run", True)
    run(plant, 1200)
    assert plant.read("M_1.tripped") is False


def test_reset_waits_for_the_motor_to_cool(build, run):
    """A trip holds until it is reset, and can be reset only when cool."""
    plant = build(RIG, "100 ms")
    plant.write("M_1.load", 2.0)
    plant.write("M_1.run", True)
    run(plant, 30)
    assert plant.read("M_1.tripped") is True
    plant.write("M_1.reset", True)
    plant.step()
    assert plant.read("M_1.tripped") is True
    run(plant, 13)
    assert plant.read("M_1.tripped") is False
    assert plant.read("M_1.starts") == 2


def test_power_dip_and_missing_feedback(build, run):
    """Without mains nothing turns; a broken auxiliary contact hides a running motor."""
    plant = build(RIG)
    plant.write("M_1.run", True)
    run(plant, 3)
    plant.write("M_1.no_feedback", True)
    run(plant, 0.1)
    assert plant.read("M_1.running") is False
    assert plant.read("M_1.speed") == 1
    plant.write("M_1.powered", False)
    run(plant, 2)
    assert plant.read("M_1.speed") == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("name", "command"), [("P_1", "run"), ("A_1", "run"), ("E_1", "run"), ("D_1", "run")]
)
def test_every_contactor_counts(build, run, name, command):
    """Pumps, agitators and heaters count their starts and running hours as motors do."""
    plant = build(
        """
        S_1: {type: supply}
        T_1: {type: tank, diameter: 1 m, height: 2 m, initial_level: 1 m, temperature: 20 degC}
        P_1: {type: pump, from: S_1, to: T_1, shutoff_head: 12 m, rated_flow: 1 L/s,
              rated_head: 8 m}
        D_1: {type: dosing_pump, from: S_1, to: T_1, rated_flow: 1 L/h}
        A_1: {type: agitator, in: T_1, diameter: 0.3 m, speed: 100 rpm, power_number: 1}
        E_1: {type: heater, in: T_1, power: 1 kW}
        """,
        "20 ms",
    )
    for _ in range(3):
        plant.write(f"{name}.{command}", True)
        run(plant, 6)
        plant.write(f"{name}.{command}", False)
        run(plant, 2)
    assert plant.read(f"{name}.starts") == 3
    assert plant.read(f"{name}.hours") == pytest.approx(18 / 3600, rel=1e-9)


def test_a_welded_contactor_stays_closed_without_a_command(build, run):
    """Neither the command nor a trip opens it; a loss of power does."""
    plant = build(RIG)
    plant.write("M_1.run", True)
    run(plant, 3)
    plant.write("M_1.stuck", True)
    plant.write("M_1.run", False)
    plant.write("M_1.trip", True)
    run(plant, 3)
    assert plant.reader(["M_1.running", "M_1.tripped", "M_1.speed"])() == (True, True, 1.0)
    plant.write("M_1.powered", False)
    run(plant, 5)
    assert plant.reader(["M_1.running", "M_1.speed"])() == (False, 0.0)
