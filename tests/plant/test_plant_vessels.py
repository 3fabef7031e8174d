"""The geometry of vessels against the public library fluids, and in closed form."""

from __future__ import annotations

import math

import pytest
from fluids import TANK

TANKS = {
    "lying": ("diameter: 2 m, length: 5 m", {"horizontal": True, "L": 5}),
    "lying with ellipsoidal ends": (
        "diameter: 2 m, length: 5 m, ends: ellipsoid, end_depth: 0.5 m",
        {
            "horizontal": True,
            "L": 5,
            "sideA": "ellipsoidal",
            "sideB": "ellipsoidal",
            "sideA_a": 0.5,
            "sideB_a": 0.5,
        },
    ),
    "lying with conical ends": (
        "diameter: 2 m, length: 5 m, ends: cone, end_depth: 0.7 m",
        {
            "horizontal": True,
            "L": 5,
            "sideA": "conical",
            "sideB": "conical",
            "sideA_a": 0.7,
            "sideB_a": 0.7,
        },
    ),
    "with a dished bottom and a conical top": (
        "diameter: 2 m, height: 3.6 m, bottom: dished, top: cone, top_depth: 0.9 m",
        {
            "horizontal": False,
            "L": 3.6 - 0.9 - 0.38754845034029,
            "sideA": "torispherical",
            "sideA_f": 1,
            "sideA_k": 0.1,
            "sideB": "conical",
            "sideB_a": 0.9,
        },
    ),
    "between ellipsoids": (
        (
            "diameter: 2 m, height: 4 m, bottom: ellipsoid, bottom_depth: 0.5 m, top: ellipsoid,"
            " top_depth: 0.5 m"
        ),
        {
            "horizontal": False,
            "L": 3,
            "sideA": "ellipsoidal",
            "sideA_a": 0.5,
            "sideB": "ellipsoidal",
            "sideB_a": 0.5,
        },
    ),
    "on a cone": (
        "diameter: 2 m, height: 4 m, bottom: cone, bottom_depth: 1 m",
        {"horizontal": False, "L": 3, "sideA": "conical", "sideA_a": 1},
    ),
    "on an ellipsoid": (
        "diameter: 2 m, height: 3.5 m, bottom: ellipsoid, bottom_depth: 0.5 m",
        {"horizontal": False, "L": 3, "sideA": "ellipsoidal", "sideA_a": 0.5},
    ),
    "on a dished bottom": (
        "diameter: 2 m, height: 3 m, bottom: dished",
        {
            "horizontal": False,
            "L": 3,
            "sideA": "torispherical",
            "sideA_f": 1,
            "sideA_k": 0.1,
        },
    ),
}
LEVELS = [0.01, 0.1, 0.25, 0.2887, 0.3, 0.5, 0.9, 1.0, 1.3, 1.9]
HIGH = [2.2, 2.9, 3.2, 3.49]


@pytest.mark.parametrize("name", TANKS)
@pytest.mark.parametrize("level", LEVELS)
def test_volumes_agree_with_fluids(build, name, level):
    """The volume below a level is that of fluids.TANK."""
    text, oracle = TANKS[name]
    plant = build(f"T_1: {{type: tank, {text}, initial_level: {level} m}}")
    assert plant.read("T_1.volume") == pytest.approx(TANK(D=2, **oracle).V_from_h(level), rel=1e-9)


@pytest.mark.parametrize("name", ["with a dished bottom and a conical top", "between ellipsoids"])
@pytest.mark.parametrize("level", HIGH)
def test_volumes_below_a_top_agree_with_fluids(build, name, level):
    """The top of a closed vessel takes its share of the volume."""
    text, oracle = TANKS[name]
    plant = build(f"T_1: {{type: tank, {text}, initial_level: {level} m}}")
    assert plant.read("T_1.volume") == pytest.approx(TANK(D=2, **oracle).V_from_h(level), rel=1e-9)


@pytest.mark.parametrize("part", [0.01, 0.05, 0.2, 0.4, 0.5, 0.61, 0.85, 0.97, 1.0])
def test_lying_dished_ends_agree_with_fluids(build, part):
    """Both dished ends of a lying cylinder: a fit, to 6 millionths of their volume."""
    ends = {"sideA": "torispherical", "sideB": "torispherical"}
    shape = {f"side{side}_{key}": value for side in "AB" for key, value in (("f", 1), ("k", 0.1))}
    oracle = TANK(D=2, L=5, horizontal=True, **ends, **shape)
    level = 2 * part
    plant = build(
        f"T_1: {{type: tank, diameter: 2 m, length: 5 m, ends: dished, initial_level: {level} m}}"
    )
    in_ends = 2 * 0.0989659951 * 2**3
    expected = oracle.V_from_h(level)
    assert plant.read("T_1.volume") == pytest.approx(expected, abs=6e-6 * in_ends)


# fluids.TANK(D=2, L=3) upright: conical bottom 1 m deep; ellipsoids 0.5 m deep at both ends.
@pytest.mark.parametrize(
    ("shape", "volumes"),
    [
        (
            "height: 4 m, bottom: cone, bottom_depth: 1 m",
            {0.5: 0.130900, 1: 1.047198, 2.5: 5.759587, 4: 10.471976},
        ),
        (
            "height: 4 m, bottom: ellipsoid, bottom_depth: 0.5 m, top: ellipsoid, top_depth: 0.5 m",
            {0.25: 0.327249, 0.5: 1.047198, 4: 11.519173},
        ),
    ],
)
def test_worked_volumes(build, shape, volumes):
    """Volumes that the public library fluids gave once."""
    for level, volume in volumes.items():
        plant = build(f"T_1: {{type: tank, diameter: 2 m, {shape}, initial_level: {level} m}}")
        assert plant.read("T_1.volume") == pytest.approx(volume, abs=5e-7)


def test_a_shape_that_asks_for_a_depth(problems_of, what_stands_at):
    """A cone without its depth is an error at the word."""
    text = "T_1: {type: tank, diameter: 1 m, height: 2 m, bottom: cone}"
    (problem,) = problems_of(text)
    assert problem.message == "expected bottom_depth as well: bottom cone needs it, got none"
    assert what_stands_at(text, problem.place).startswith("cone}")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "diameter: 1 m, length: 2 m, bottom: dished",
            "expected bottom only with diameter and height, got it without height",
        ),
        (
            "diameter: 1 m, height: 2 m, ends: dished",
            "expected ends only with diameter and length, got it without length",
        ),
        (
            "width: 1 m, length: 1 m, height: 2 m, bottom: dished",
            "expected bottom only with diameter and height, got it without diameter",
        ),
    ],
)
def test_a_shape_that_does_not_go_with_the_vessel(problems_of, text, message):
    """A lying cylinder has no bottom, an upright one no ends, a sump neither."""
    (problem,) = problems_of(f"T_1: {{type: tank, {text}}}")
    assert problem.message == message


@pytest.mark.parametrize(
    ("part", "share"),
    [
        (0.1, 0.052044),
        (0.2, 0.142378),
        (0.25, 0.195501),
        (0.3, 0.252316),
        (0.4, 0.373530),
        (0.5, 0.5),
        (0.6, 0.626470),
        (0.75, 0.804499),
        (0.9, 0.947956),
        (1.0, 1.0),
    ],
)
def test_lying_cylinder(build, part, share):
    """Shares of a lying cylinder's volume by its level, circular segments in closed form."""
    text = f"T_1: {{type: tank, diameter: 2 m, length: 5 m, initial_level: {2 * part} m}}"
    assert build(text).read("T_1.volume") == pytest.approx(share * 5 * math.pi, rel=1e-5)


@pytest.mark.parametrize("name", TANKS)
def test_levels_follow_volumes(build, run, feed, name):
    """While a vessel fills from empty to its overflow its level belongs to its volume."""
    text, oracle = TANKS[name]
    plant = build(
        f"""
        T_1: {{type: tank, {text}}}
        S_1: {{type: supply}}
        F_1: {{type: feed, from: S_1, to: T_1, rate: 120 L/s}}
        """,
        "100 ms",
        feed,
    )
    state = plant.reader(["T_1.level", "T_1.volume"])
    geometry = TANK(D=2, **oracle)
    for _ in range(30):
        run(plant, 5.3)
        level, volume = state()
        if level < plant.read("T_1.full_level"):
            assert geometry.V_from_h(level) == pytest.approx(volume, rel=1e-9)
    assert plant.read("T_1.overflowed") > 0
    assert level == pytest.approx(plant.read("T_1.full_level"), abs=1e-9)


@pytest.mark.parametrize(
    ("shape", "level", "seconds"),
    [
        # Closed forms with D = 50 mm, Cd = 0.61, g = 9.80665, as solve_ivp finds them too.
        ("diameter: 2 m, height: 2 m, bottom: cone, bottom_depth: 1 m", 1, 236.9053),
        ("diameter: 2 m, length: 5 m", 2, 3554.8287),
    ],
)
def test_draining_times(build, run, shape, level, seconds):
    """A cone and a lying cylinder drain in the times of the closed forms."""
    plant = build(
        f"""
        T_1: {{type: tank, {shape}, initial_level: {level} m}}
        V_1: {{type: valve, from: T_1, to: H_1, bore: 50 mm, spring: opens}}
        H_1: {{type: header}}
        """,
        "50 ms",
    )
    full = plant.read("T_1.volume")
    run(plant, seconds * 0.999)
    assert plant.read("T_1.volume") > 0
    run(plant, seconds * 0.002)
    assert plant.read("T_1.volume") <= 1e-9 * full
    assert plant.read("H_1.received") == pytest.approx(full, rel=1e-9)


def test_a_sump_is_rectangular(build):
    """A rectangular sump holds length times width times level."""
    plant = build("T_1: {type: tank, width: 2 m, length: 3 m, height: 4 m, initial_level: 1.5 m}")
    assert plant.read("T_1.volume") == pytest.approx(9)
    assert plant.read("T_1.across") == pytest.approx(math.sqrt(6 * 4 / math.pi))
