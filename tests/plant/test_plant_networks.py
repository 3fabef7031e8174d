"""Random networks keep mass, stay within bounds and never hold less than nothing."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

metres = st.floats(0.2, 3.0).map(lambda value: round(value, 3))
indices = st.integers(0, 3)


@st.composite
def networks(draw):
    """Two to four tanks with pumps, valves and lines between them, supplies and a drain."""
    count = draw(st.integers(2, 4))
    lines = ["S_0: {type: supply, level: 0.5 m, volume: 2 m3, contains: {salt: 80 kg/m3}}"]
    lines.append("H_0: {type: header, elevation: -1 m}")
    for i in range(count):
        height = draw(metres)
        level = round(draw(st.floats(0, 1)) * height, 3)
        dye = draw(st.sampled_from([0, 12]))
        lines.append(
            f"T_{i}: {{type: tank, diameter: {draw(metres)} m, height: {height} m, "
            f"elevation: {draw(metres)} m, initial_level: {level} m, "
            f"contains: {{dye: {dye} kg/m3}}}}"
        )
    driven = []
    for i in range(draw(st.integers(2, 7))):
        start = f"T_{draw(indices) % count}"
        ends = [f"T_{n}" for n in range(count) if f"T_{n}" != start]
        end = draw(st.sampled_from([*ends, "H_0"]))
        kind = draw(st.sampled_from(["valve", "pump", "line", "feed"]))
        if kind == "valve":
            kv = draw(st.sampled_from([5, 60, 900]))
            lines.append(f"X_{i}: {{type: valve, from: {start}, to: {end}, kv: {kv} m3/h}}")
            driven.append(f"X_{i}.open")
        elif kind == "line":
            bore = draw(st.sampled_from([15, 80]))
            lines.append(
                f"X_{i}: {{type: line, from: {start}, to: {end}, length: 5 m, bore: {bore} mm}}"
            )
            driven.append(f"X_{i}.check_valve")
        else:
            start = "S_0" if kind == "feed" else start
            lines.append(
                f"X_{i}: {{type: pump, from: {start}, to: {end}, shutoff_head: 15 m, "
                "rated_flow: 9 m3/h, rated_head: 9 m, line_loss: 3 m}"
            )
            driven.append(f"X_{i}.run")
    return count, "\n".join(lines), driven


@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(network=networks(), step=st.sampled_from(["1 ms", "20 ms", "100 ms"]), data=st.data())
def test_random_networks(build, network, step, data):
    """Whatever is joined and driven, nothing is lost, made or negative."""
    count, equipment, driven = network
    plant = build(equipment, step)
    tanks = [f"T_{i}" for i in range(count)]
    level = plant.reader([f"{tank}.level" for tank in tanks])
    full = plant.reader([f"{tank}.full_level" for tank in tanks])()
    content = {
        own: plant.reader([f"{tank}.{own}" for tank in tanks])
        for own in ("volume", "mass_1", "mass_2")
    }
    at_start = {own: sum(read()) for own, read in content.items()}
    drive = plant.writer(driven)
    for _ in range(6):
        drive(data.draw(st.lists(st.booleans(), min_size=len(driven), max_size=len(driven))))
        for _ in range(60):
            plant.step()
            for now, most in zip(level(), full, strict=True):
                assert 0 <= now <= most * (1 + 1e-15)
            assert min(content["volume"]()) >= 0
            # A liquid that runs back may take the last bit more than there is.
            assert min(*content["mass_1"](), *content["mass_2"]()) >= -1e-15
    for suffix, own in (("", "volume"), ("_1", "mass_1"), ("_2", "mass_2")):
        came = plant.read(f"S_0.delivered{suffix}")
        gone = plant.read(f"H_0.received{suffix}") + sum(
            plant.read(f"{tank}.overflowed{suffix}") for tank in tanks
        )
        scale = at_start[own] + abs(came) + 1e-3
        assert sum(content[own]()) == pytest.approx(at_start[own] + came - gone, abs=1e-12 * scale)
