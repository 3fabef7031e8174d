"""Random plants with vents, heat and two densities: bounds, and nothing lost."""

from __future__ import annotations

import math

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from softctl.plant import Fault

S = 10**9
# Nothing can become saltier than the supply, hotter than the jacket or colder than the air.
SALT, HOT, COLD = 200.0, 373.15, 283.15
HEAD = """
S_0: {type: supply, level: 3 m, pressure: PRESSURE, contains: {salt: 200 kg/m3},
      temperature: 60 degC}
H_0: {type: header, elevation: -2 m}
M_0: {type: manifold, content: 20 L, initial_surface: 1 m}
Y_1: {type: line, from: S_0, to: M_0, length: 5 m, bore: 40 mm}
Y_2: {type: line, from: M_0, to: T_0, length: 5 m, bore: 40 mm}
E_1: {type: heater, in: T_0, power: 50 kW, run: true}
J_1: {type: jacket, in: T_1, transfer: 5 kW/K, medium: 140 degC, open: true}
"""
SHAPES = [
    "diameter: 0.4 m, height: 0.7 m",
    "width: 0.5 m, length: 1 m, height: 1.5 m",
    "diameter: 1 m, length: 2 m, ends: dished",
    "diameter: 1 m, height: 1.2 m, bottom: dished, top: dished",
    "diameter: 1 m, height: 2 m, bottom: cone, bottom_depth: 0.9 m",
]
LINES = {
    "valve, kv: 30 m3/h": "open",
    "pump, shutoff_head: 15 m, rated_flow: 9 m3/h, rated_head: 9 m, line_loss: 3 m": "run",
    "dosing_pump, rated_flow: 2 m3/h": "run",
    "line, length: 5 m, bore: 80 mm": "check_valve",
}


@st.composite
def plants(draw):
    """Two or three vessels with lines any way between them, and what drives the lines."""
    count = draw(st.integers(2, 3))
    text = [HEAD.replace("PRESSURE", draw(st.sampled_from(["0 bar", "2 bar"])))]
    for i in range(count):
        vent = draw(st.sampled_from([0, 2, 30]))
        level = draw(st.sampled_from([0, 0.05, 0.4]))
        text.append(
            f"T_{i}: {{type: tank, {draw(st.sampled_from(SHAPES))}, initial_level: {level} m,"
            f" elevation: {draw(st.integers(-1, 3))} m, vent: {vent} mm, temperature: 40 degC,"
            f" heat_loss: {draw(st.sampled_from([0, 500]))} W/K, surroundings: 10 degC,"
            f" contains: {{dye: 50 kg/m3}}}}"
        )
    ends, driven = [f"T_{i}" for i in range(count)], []
    for i in range(draw(st.integers(3, 6))):
        kind = draw(st.sampled_from(list(LINES)))
        start = draw(st.sampled_from([*ends, "S_0"]))
        end = draw(st.sampled_from([name for name in [*ends, "H_0"] if name != start]))
        text.append(f"X_{i}: {{from: {start}, to: {end}, type: {kind}}}")
        driven.append(f"X_{i}.{LINES[kind]}")
    return count, "\n".join(text), driven


@settings(
    max_examples=15,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(drawn=plants(), step=st.sampled_from(["5 ms", "20 ms", "100 ms"]), data=st.data())
def test_random_plants(build_dense, drawn, step, data):
    """No vessel leaves the range of what there is, and volume, masses and heat add up."""
    count, text, driven = drawn
    plant = build_dense(text, step)
    tanks = [f"T_{i}" for i in range(count)]
    ports = ("level", "full_level", "volume", "mean_1", "outlet_1", "temperature", "air_pressure")
    read = [plant.reader([f"{tank}.{port}" for port in ports]) for tank in tanks]
    drive = plant.writer(driven)
    at_start = list(balance(plant, tanks))
    plant.inject(Fault("T_0", "blocked vent", at_ns=3 * S, for_ns=2 * S))
    for _ in range(6):
        drive(data.draw(st.lists(st.booleans(), min_size=len(driven), max_size=len(driven))))
        for _ in range(80):
            plant.step()
            for one in read:
                level, full, volume, *contents, temperature, air = one()
                assert 0 <= level <= full * (1 + 1e-12)
                assert volume >= 0
                assert all(-1e-9 <= content <= SALT * (1 + 1e-9) for content in contents)
                assert COLD - 1e-6 <= temperature <= HOT + 1e-6
                assert -101_325 < air < math.inf
    for now, (before, scale) in zip(balance(plant, tanks), at_start, strict=True):
        assert now[0] == pytest.approx(before, abs=1e-11 * max(scale, now[1], 1e-3))


def balance(plant, tanks):
    """For volume, masses and heat: what is held and went, less what came; and how much moved."""
    held = {"": "volume", "_1": "mass_1", "_2": "mass_2", "_h": "held_h"}
    for suffix, port in held.items():
        names = [f"{name}.{port}" for name in [*tanks, "M_0"]]
        names += [f"{name}.overflowed{suffix}" for name in tanks]
        names.append(f"H_0.received{suffix}")
        came = plant.read(f"S_0.delivered{suffix}")
        if suffix == "_h":
            came += sum(plant.read(f"{name}.gained_h") for name in tanks)
        total = sum(plant.reader(names)())
        yield total - came, abs(total) + abs(came)
