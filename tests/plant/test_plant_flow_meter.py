"""Flow transmitters and their totalisers."""

from __future__ import annotations

import pytest

RIG = """
S_1: {type: supply}
H_1: {type: header, elevation: 20 m}
D_1: {type: dosing_pump, from: S_1, to: H_1, rated_flow: 36 L/h, run: true}
F_1: {type: flow_transmitter, in: D_1, range: [0 L/h, 60 L/h], lag: 2 s, pulse_volume: 1e-4 m3}
"""


@pytest.mark.parametrize("step", ["5 ms", "100 ms"])
def test_signal_total_and_pulses(build, run, step):
    """36 L/h is 60 % of 60 L/h, 13.6 mA, and one pulse of 0.1 L each 10 s."""
    plant = build(RIG, step)
    pulses, at = 0, []
    for _ in range(round(60 * 1e9 / plant.step_ns)):
        plant.step()
        if plant.read("F_1.pulse"):
            pulses += 1
            at.append(plant.now_ns / 1e9)
    assert plant.read("F_1.current") == pytest.approx(13.6, abs=1e-9)
    assert plant.read("F_1.signal") * 3.6e6 == pytest.approx(36)
    assert plant.read("F_1.total") == pytest.approx(6e-4, rel=1e-9)
    assert pulses in (5, 6)
    assert at[:5] == pytest.approx([10, 20, 30, 40, 50], abs=2.1 * plant.step_ns / 1e9)


# NE 43: 3.8 to 20.5 mA measuring, 3.6 and 21.0 mA failure; 0 mA with the loop open.
@pytest.mark.parametrize(
    ("change", "current"),
    [
        ({"F_1.drift": -1e-3}, 3.8),
        ({"F_1.drift": 1e-3}, 20.5),
        ({"F_1.failed": True}, 3.6),
        ({"F_1.failed": True, "F_1.fails_high": True}, 21.0),
        ({"F_1.broken": True}, 0.0),
    ],
)
def test_ne_43_limits(build, run, change, current):
    """The current keeps to the measuring range, and failures leave it."""
    plant = build(RIG)
    for terminal, value in change.items():
        plant.write(terminal, value)
    run(plant, 1)
    assert plant.read("F_1.current") == pytest.approx(current)
