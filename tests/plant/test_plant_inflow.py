"""The inflow's profile over the day, its scatter, and what it brings."""

from __future__ import annotations

import math

import pytest

from softctl.plant import Fault

FACTORS = [0.4, 0.3, 0.3, 0.4, 0.6, 0.9, 1.4, 1.9, 1.7, 1.3, 1.1, 1.0] * 2
RIG = """
Q_1: {type: inflow, to: T_1, mean_flow: 6 L/s, starts_at: 5 h, contains: {salt: 2 kg/m3}%s}
T_1: {type: tank, length: 200 m, width: 200 m, height: 3 m, well_mixed: true}
"""


def rig(options: str = "") -> str:
    return RIG % options


PROFILE = rig(f", factors: {FACTORS}")


def test_a_day_brings_the_mean_of_the_factors(build, run):
    """Over a day: mean flow times the mean factor, whatever the hour it starts at."""
    plant = build(PROFILE, "100 ms")
    run(plant, 86400)
    expected = 0.006 * 86400 * sum(FACTORS) / 24
    assert plant.read("Q_1.total") == pytest.approx(expected, rel=1e-9)
    assert plant.read("T_1.volume") == pytest.approx(expected, rel=1e-9)
    assert plant.read("T_1.mass_1") == pytest.approx(2 * expected, rel=1e-9)


def test_the_flow_at_and_between_full_hours(build, run):
    """At five the sixth factor, half an hour later the mean of that and the next."""
    plant = build(PROFILE, "100 ms")
    assert plant.read("Q_1.flow") == pytest.approx(0.006 * 0.9)
    run(plant, 1800)
    assert plant.read("Q_1.flow") == pytest.approx(0.006 * (0.9 + 1.4) / 2)


def test_scatter_has_its_standard_deviation(build):
    """Drawn every second for 4000 s: mean and deviation within three standard errors."""
    plant = build(rig(", scatter: 0.2, scatter_time: 1 s"), "100 ms")
    flow = plant.reader(["Q_1.flow"])
    draws = []
    for _ in range(4000):
        for _ in range(10):
            plant.step()
        draws.append(flow()[0] / 0.006 - 1)
    mean = sum(draws) / len(draws)
    deviation = math.sqrt(sum((draw - mean) ** 2 for draw in draws) / len(draws))
    assert abs(mean) < 3 * 0.2 / math.sqrt(4000)
    assert deviation == pytest.approx(0.2, rel=3 / math.sqrt(2 * 4000))


@pytest.mark.parametrize("step", ["1 ms", "50 ms"])
def test_scatter_is_the_same_at_any_step(build, run, step):
    """The numbers are drawn at times, not at steps."""
    text = rig(", scatter: 0.3, scatter_time: 7 s")
    plant, other = build(text, step), build(text, "10 ms")
    run(plant, 60)
    run(other, 60)
    assert plant.read("Q_1.flow") == pytest.approx(other.read("Q_1.flow"), rel=1e-9)
    assert plant.read("Q_1.total") == pytest.approx(other.read("Q_1.total"), rel=1e-5)


def test_faults_of_the_inflow(build, run):
    """A surge of 3 triples the flow, a lost supply ends it."""
    plant = build(rig())
    plant.inject(Fault("Q_1", "surge", at_ns=10**9, for_ns=10**9, size=3.0))
    plant.inject(Fault("Q_1", "lost supply", at_ns=3 * 10**9))
    run(plant, 1.5)
    assert plant.read("Q_1.flow") == pytest.approx(0.018)
    run(plant, 1)
    assert plant.read("Q_1.flow") == pytest.approx(0.006)
    run(plant, 1)
    assert plant.read("Q_1.flow") == 0
