"""Random networks with heat, outlets at heights, joined lines and an inflow: nothing is lost."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

COLDEST, HOTTEST = 278.15, 353.15  # K, of all that is there or comes
temperatures = st.integers(5, 80)
SUFFIXES = {"": "volume", "_1": "mass_1", "_2": "mass_2", "_h": "held_h"}


@st.composite
def warm_networks(draw):
    """Tanks of any shape with heaters, jackets and losses, joined by lines of every kind."""
    count = draw(st.integers(2, 3))
    lines = [
        (
            f"S_0: {{type: supply, level: 4 m, contains: {{salt: 40 kg/m3}}, "
            f"temperature: {draw(temperatures)} degC}}"
        ),
        "H_0: {type: header, elevation: -1 m}",
        (
            f"N_0: {{type: manifold, content: 20 L, initial_surface: 2 m, "
            f"temperature: {draw(temperatures)} degC}}"
        ),
        (
            f"Q_0: {{type: inflow, to: T_0, mean_flow: {draw(st.sampled_from([0.2, 3]))} L/s, "
            f"scatter: 0.3, scatter_time: 1 s, temperature: {draw(temperatures)} degC, "
            "contains: {dye: 3 kg/m3}}"
        ),
        "V_0: {type: line, from: N_0, to: H_0, length: 4 m, bore: 40 mm, check_valve: true}",
    ]
    shapes = [
        "diameter: 0.8 m, height: 1.6 m",
        "diameter: 0.9 m, height: 1.5 m, bottom: cone, bottom_depth: 0.4 m",
        "diameter: 0.9 m, length: 1.4 m",
        "length: 1.2 m, width: 0.8 m, height: 1.2 m",
    ]
    driven = []
    for i in range(count):
        lines.append(
            f"T_{i}: {{type: tank, {draw(st.sampled_from(shapes))}, elevation: {i} m, "
            f"initial_level: {draw(st.sampled_from([0, 0.05, 0.4, 0.85]))} m, "
            f"temperature: {draw(temperatures)} degC, contains: {{dye: 9 kg/m3}}, "
            f"heat_loss: {draw(st.sampled_from([0, 300]))} W/K, surroundings: 5 degC}}"
        )
        warms = draw(st.sampled_from(["heater", "jacket", ""]))
        if warms == "heater":
            lines.append(f"E_{i}: {{type: heater, in: T_{i}, power: 90 kW, submergence: 0.1 m}}")
            driven.append(f"E_{i}.run")
        elif warms == "jacket":
            lines.append(f"E_{i}: {{type: jacket, in: T_{i}, transfer: 3000 W/K, medium: 80 degC}}")
            driven.append(f"E_{i}.open")
        outlet = draw(st.sampled_from(["", ", draws_at: 0.3 m"]))
        kind = draw(st.sampled_from(["line", "pump", "valve", "dosing_pump", "inline"]))
        end = draw(st.sampled_from([f"T_{(i + 1) % count}", "H_0"]))
        if kind == "line":
            rest = f"to: N_0, length: 3 m, bore: 50 mm{outlet}"
            lines.append(f"L_{i}: {{type: line, from: T_{i}, {rest}}}")
            driven.append(f"L_{i}.check_valve")
        elif kind == "inline":
            rest = f"to: {end}, length: 3 m, bore: 50 mm{outlet}"
            lines.append(f"L_{i}: {{type: line, from: T_{i}, {rest}}}")
            lines.append(f"X_{i}: {{type: inline_valve, line: L_{i}, kv: 30 m3/h}}")
            driven.append(f"X_{i}.open")
        elif kind == "pump":
            rest = "shutoff_head: 12 m, rated_flow: 9 m3/h, rated_head: 8 m, line_loss: 2 m"
            lines.append(f"L_{i}: {{type: pump, from: T_{i}, to: {end}, {rest}{outlet}}}")
            driven.append(f"L_{i}.run")
        elif kind == "valve":
            lines.append(f"L_{i}: {{type: valve, from: T_{i}, to: {end}, kv: 40 m3/h{outlet}}}")
            driven.append(f"L_{i}.open")
        else:
            rest = f"from: T_{i}, to: {end}, rated_flow: 40 L/min{outlet}"
            lines.append(f"L_{i}: {{type: dosing_pump, {rest}}}")
            driven.append(f"L_{i}.run")
    lines.append("V_1: {type: valve, from: S_0, to: T_0, kv: 8 m3/h}")
    driven.append("V_1.open")
    return count, "\n".join(lines), driven


@settings(
    max_examples=20,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(network=warm_networks(), step=st.sampled_from(["1 ms", "10 ms", "100 ms"]), data=st.data())
def test_random_warm_networks(build, network, step, data):
    """Volume, species and heat balance, levels and temperatures stay within their bounds."""
    count, equipment, driven = network
    plant = build(equipment, step)
    vessels = [*(f"T_{i}" for i in range(count)), "N_0"]
    tanks = vessels[:-1]
    content = {
        suffix: plant.reader([f"{vessel}.{port}" for vessel in vessels])
        for suffix, port in SUFFIXES.items()
    }
    at_start = {suffix: sum(read()) for suffix, read in content.items()}
    level = plant.reader([f"{tank}.level" for tank in tanks])
    full = plant.reader([f"{tank}.full_level" for tank in tanks])()
    warmth = plant.reader([f"{tank}.temperature" for tank in tanks])
    wet = plant.reader([f"{tank}.volume" for tank in tanks])
    drive = plant.writer(driven)
    for _ in range(5):
        drive(data.draw(st.lists(st.booleans(), min_size=len(driven), max_size=len(driven))))
        for _ in range(60):
            plant.step()
            for now, most in zip(level(), full, strict=True):
                assert 0 <= now <= most * (1 + 1e-12)
            for suffix, read in content.items():
                assert min(read()) >= -1e-15 * max(1, at_start[suffix])
            for kelvin, volume in zip(warmth(), wet(), strict=True):
                if volume > 1e-6:
                    hottest = 373.15 if "heater" in equipment else HOTTEST
                    assert COLDEST - 1e-6 <= kelvin <= hottest + 1e-6
    for suffix in SUFFIXES:
        came = plant.read(f"S_0.delivered{suffix}") + plant.read(f"Q_0.total{suffix}")
        gone = plant.read(f"H_0.received{suffix}")
        gone += sum(plant.read(f"{tank}.overflowed{suffix}") for tank in tanks)
        if suffix == "_h":
            came += sum(plant.read(f"{tank}.gained_h") for tank in tanks)
        scale = at_start[suffix] + abs(came) + 1e-3
        balance = at_start[suffix] + came - gone
        assert sum(content[suffix]()) == pytest.approx(balance, abs=1e-12 * scale)
