"""Heat: mixing, heaters, jackets, losses and the thermometer, against outside numbers."""

from __future__ import annotations

import math

import pytest
from scipy.integrate import solve_ivp

# 300 and 200 kg of water at 998.2072 kg/m3 (20 degrees Celsius, IAPWS-95 by CoolProp).
DENSITY = 998.2072
HEATED = """
T_1: {{type: tank, diameter: 1.2 m, height: 2 m, initial_level: {level} m, well_mixed: true,
      temperature: {start} degC, {tank}}}
E_1: {{type: heater, in: T_1, power: {power}, contact_time: 0 s, {heater}}}
"""


def heated(start=20, power="10 kW", kilograms=1000.0, tank="", heater=""):
    level = kilograms / DENSITY / (math.pi / 4 * 1.2**2)
    return HEATED.format(level=repr(level), start=start, power=power, tank=tank, heater=heater)


def celsius(plant, terminal="T_1.temperature"):
    return plant.read(terminal) - 273.15


@pytest.mark.parametrize("mixed", ["true", "false"])
def test_mixing_balance_by_hand(build, run, mixed):
    """300 kg at 20 and 200 kg at 80 degrees Celsius make 500 kg at 44.000 (constant cp)."""
    plant = build(
        f"""
        T_1: {{type: tank, diameter: 1 m, height: 1 m, temperature: 20 degC,
              initial_level: {300 / DENSITY / (math.pi / 4)!r} m, well_mixed: {mixed}}}
        T_2: {{type: tank, diameter: 1 m, height: 1 m, temperature: 80 degC, elevation: 3 m,
              initial_level: {200 / DENSITY / (math.pi / 4)!r} m}}
        V_1: {{type: valve, from: T_2, to: T_1, kv: 20 m3/h, spring: opens}}
        """,
        "50 ms",
    )
    run(plant, 200)
    assert plant.read("T_2.volume") == 0
    assert plant.read("T_1.volume") * DENSITY == pytest.approx(500, rel=1e-12)
    assert celsius(plant) == pytest.approx(44, abs=1e-9)


def test_heating_by_hand(build, run):
    """10 kW take 1000 kg of water from 20 to 60 degrees Celsius in 16 736 s (cp 4.184)."""
    plant = build(heated(), "100 ms")
    plant.write("E_1.run", True)
    plant.step()
    run(plant, 16736)
    assert celsius(plant) == pytest.approx(60, abs=1e-3)
    assert plant.read("E_1.given") == pytest.approx(10_000 * 16736, rel=1e-4)
    assert plant.read("T_1.gained_h") == pytest.approx(plant.read("E_1.given"), rel=1e-9)


@pytest.mark.parametrize("step", ["1 ms", "100 ms"])
def test_loss_to_the_surroundings(build, run, step):
    """Newton's law of cooling: the difference to the room falls as EXP(-G t / C)."""
    plant = build(heated(80, kilograms=50, tank="heat_loss: 900 W/K, surroundings: 10 degC"), step)
    run(plant, 60)
    expected = 10 + 70 * math.exp(-900 * 60 / (50 * 4184))
    assert celsius(plant) == pytest.approx(expected, abs=1e-4)


def test_heater_against_loss(build, run):
    """A heater settles where the loss takes what it gives: 20 + P / G degrees."""
    plant = build(heated(15, "6 kW", 60, tank="heat_loss: 150 W/K"), "100 ms")
    plant.write("E_1.run", True)
    run(plant, 60 * 4184 / 150 * 25)
    assert celsius(plant) == pytest.approx(60, abs=1e-6)


def test_heat_flows_through_a_tank(build, run, feed):
    """A tank through which water runs follows the energy balance that solve_ivp integrates."""
    plant = build(
        heated(20, "30 kW", 200)
        + """
S_1: {type: supply, level: 5 m, temperature: 12 degC}
P_1: {type: dosing_pump, from: S_1, to: T_1, rated_flow: 18 L/min, run: true}
P_2: {type: dosing_pump, from: T_1, to: H_1, rated_flow: 12 L/min, run: true}
H_1: {type: header}
""",
        "20 ms",
    )
    plant.write("E_1.run", True)

    def balance(_, y):
        volume, kelvin = y
        rate = 30e3 / (DENSITY * 4184) + 18 / 60e3 * (285.15 - kelvin)
        return [6 / 60e3, rate / volume]

    start = [200 / DENSITY, 293.15]
    end = solve_ivp(balance, (0, 900), start, rtol=1e-10, atol=1e-12).y[:, -1]
    run(plant, 900)
    assert plant.read("T_1.volume") == pytest.approx(end[0], rel=1e-9)
    assert plant.read("T_1.temperature") == pytest.approx(end[1], abs=2e-3)


def test_energy_is_conserved(build, run, feed):
    """What came in, was heated, lost, spilt and drawn adds up, to rounding."""
    plant = build(
        """
        S_1: {type: supply, level: 9 m, temperature: 8 degC}
        T_1: {type: tank, diameter: 0.6 m, height: 1 m, initial_level: 0.9 m, elevation: 1 m,
              temperature: 71 degC, heat_loss: 40 W/K, surroundings: -5 degC}
        P_1: {type: pump, from: S_1, to: T_1, shutoff_head: 12 m, rated_flow: 60 L/min,
              rated_head: 8 m, line_loss: 4 m, run: true}
        V_1: {type: valve, from: T_1, to: H_1, kv: 3 m3/h}
        L_1: {type: line, from: T_1, to: H_1, length: 8 m, bore: 12 mm, draws_at: 0.4 m}
        H_1: {type: header}
        E_1: {type: heater, in: T_1, power: 24 kW, submergence: 0.2 m, run: true}
        J_1: {type: jacket, in: T_1, transfer: 2 kW/K, medium: 140 degC, stroke_time: 3 s}
        A_1: {type: agitator, in: T_1, diameter: 0.2 m, speed: 180 rpm, power_number: 1.27}
        """,
        "20 ms",
    )
    held = plant.read("T_1.held_h")
    for second in range(300):
        plant.write("V_1.open", second % 70 > 40)
        plant.write("A_1.run", second % 50 > 25)
        plant.write("J_1.open", second % 90 > 60)
        plant.write("T_1.leak", 0.01 if second > 200 else 0.0)
        run(plant, 1)
    gone = sum(plant.read(name) for name in ("T_1.overflowed_h", "T_1.leaked_h", "H_1.received_h"))
    came = plant.read("S_1.delivered_h") + plant.read("T_1.gained_h")
    assert min(gone, plant.read("T_1.overflowed_h"), plant.read("T_1.leaked_h")) > 0
    assert plant.read("T_1.held_h") == pytest.approx(held + came - gone, rel=1e-11)
    assert 8 < celsius(plant) < 100


def test_hot_water_on_top_stays_there_until_it_is_stirred(build, run):
    """An outlet draws cold water from under a hot layer; stirring evens it out."""
    plant = build(
        """
        S_1: {type: supply, temperature: 90 degC}
        T_1: {type: tank, diameter: 1 m, height: 2 m, initial_level: 0.6 m, temperature: 10 degC,
              still_blend_time: 1000 h}
        P_1: {type: dosing_pump, from: S_1, to: T_1, rated_flow: 5 L/s, run: true}
        P_2: {type: dosing_pump, from: T_1, to: H_1, rated_flow: 1 L/h, run: true}
        A_1: {type: agitator, in: T_1, diameter: 0.4 m, speed: 150 rpm, power_number: 1.27}
        H_1: {type: header}
        """
    )
    run(plant, 20)
    plant.write("P_1.run", False)
    run(plant, 0.1)
    assert celsius(plant, "P_2.temperature") < 15
    assert celsius(plant) == pytest.approx(10 + 80 * 0.1 / (0.1 + 0.15 * math.pi), abs=0.01)
    plant.write("A_1.run", True)
    run(plant, 300)
    assert plant.read("P_2.temperature") == pytest.approx(plant.read("T_1.temperature"), abs=1e-6)


def test_water_does_not_get_hotter_than_it_boils(build, run):
    """At 373.15 K more heat makes steam, not hotter water (open vessel)."""
    plant = build(heated(98, "500 kW", 50, heater="cut_out: 373.15 K"), "100 ms")
    plant.write("E_1.run", True)
    # The cut-out itself is out of order.
    plant.write("E_1.cut_out", 1000.0)
    run(plant, 60)
    assert plant.read("T_1.temperature") == pytest.approx(373.15, abs=1e-9)
    assert plant.read("T_1.gained_h") < plant.read("E_1.given")


def test_heater_in_air_opens_its_cut_out(build, run):
    """An element in air heats nothing, opens its cut-out, and waits for a reset."""
    plant = build(heated(tank="", heater="submergence: 1.5 m, dry_time: 4 s"))
    plant.write("E_1.run", True)
    run(plant, 3.9)
    assert plant.reader(["E_1.running", "E_1.tripped", "E_1.heating_h"])() == (True, False, 0.0)
    run(plant, 0.2)
    assert plant.reader(["E_1.running", "E_1.tripped"])() == (False, True)
    run(plant, 5)
    plant.write("E_1.submergence", 0.1)
    run(plant, 1)
    assert plant.read("E_1.running") is False
    plant.write("E_1.reset", True)
    run(plant, 0.1)
    assert plant.reader(["E_1.running", "E_1.tripped"])() == (True, False)
    assert plant.read("E_1.heating_h") == 10_000


def test_heater_opens_at_its_cut_out_temperature(build, run):
    """The over-temperature cut-out ends the heating at its temperature."""
    plant = build(heated(60, "100 kW", 50, heater="cut_out: 70 degC"))
    plant.write("E_1.run", True)
    run(plant, 60)
    assert plant.read("E_1.tripped") is True
    assert celsius(plant) == pytest.approx(70, abs=0.02)


@pytest.mark.parametrize("step", ["1 ms", "100 ms"])
def test_jacket(build, run, step):
    """A jacket brings its vessel to the medium's temperature as 1 - EXP(-U A t / C)."""
    plant = build(
        heated(20, "1 W", 40)
        + "J_1: {type: jacket, in: T_1, transfer: 3 kW/K, medium: 95 degC, stroke_time: 0 s,"
        " open: true}",
        step,
    )
    run(plant, 40)
    expected = 95 - 75 * math.exp(-3000 * 40 / (40 * 4184))
    assert celsius(plant) == pytest.approx(expected, abs=2e-3)
    assert plant.read("J_1.duty") == pytest.approx(3000 * (95 - celsius(plant)), rel=2e-3)


def test_jacket_valve(build, run):
    """Heat comes in proportion to the position, and the limit switches tell the ends."""
    plant = build(
        heated() + "J_1: {type: jacket, in: T_1, transfer: 1 W/K, medium: 80 degC,"
        " stroke_time: 10 s}"
    )
    switches = plant.reader(["J_1.closed", "J_1.opened"])
    assert switches() == (True, False)
    plant.write("J_1.open", True)
    run(plant, 5)
    assert switches() == (False, False)
    assert plant.read("J_1.duty") == pytest.approx(30, rel=3e-3)
    run(plant, 5)
    assert switches() == (False, True)
    assert plant.read("J_1.duty") == pytest.approx(60, rel=1e-3)


# IEC 60751, Pt100: -200, 0, 100 and 850 degrees Celsius.
@pytest.mark.parametrize(
    ("degrees", "ohms"), [(-200, 18.5201), (0, 100), (100, 138.5055), (850, 390.4811)]
)
def test_pt100(build, degrees, ohms):
    """The thermometer has the resistances of IEC 60751."""
    plant = build(
        heated() + "TT_1: {type: temperature_transmitter, in: T_1, range: [-200 degC, 850 degC],"
        " lag: 0 s}"
    )
    plant.write("T_1.temperature", degrees + 273.15)
    plant.write("T_1.volume", 0.0)
    plant.write("T_1.held_h", 0.0)
    plant.step()
    assert plant.read("TT_1.resistance") == pytest.approx(ohms, abs=5e-5)
    assert plant.read("TT_1.current") == pytest.approx(4 + 16 * (degrees + 200) / 1050, abs=1e-9)


def test_thermometer_lag(build, run):
    """A step response follows 1 - EXP(-t / tau) at 0.5, 1, 2, 3, 4 and 5 lags."""
    shares = {0.5: 0.393469, 1: 0.632121, 2: 0.864665, 3: 0.950213, 4: 0.981684, 5: 0.993262}
    plant = build(
        heated(20)
        + "TT_1: {type: temperature_transmitter, in: T_1, range: [0 degC, 100 degC], lag: 8 s}"
    )
    plant.write("T_1.held_h", plant.read("T_1.held_h") * 333.15 / 293.15)
    plant.write("TT_1.loop.before", 333.15)
    for lags, share in shares.items():
        run(plant, 8 * lags - plant.now_ns / 1e9)
        assert celsius(plant, "TT_1.signal") == pytest.approx(20 + 40 * share, abs=1e-4)


def test_a_thermometer_in_a_pipe(build, run):
    """A thermometer may be in a line, and reads what flows there."""
    plant = build(
        """
        S_1: {type: supply, level: 3 m, temperature: 55 degC}
        L_1: {type: line, from: S_1, to: H_1, length: 2 m, bore: 20 mm}
        H_1: {type: header}
        TT_1: {type: temperature_transmitter, in: L_1, range: [0 degC, 100 degC], lag: 1 s}
        """
    )
    run(plant, 20)
    assert celsius(plant, "TT_1.signal") == pytest.approx(55, abs=1e-6)


def test_water_is_that_of_iapws():
    """The constants in the blocks are water's at 20 degrees Celsius (IAPWS-95 by CoolProp)."""
    from CoolProp.CoolProp import PropsSI

    state = ("T", 293.15, "P", 101_325, "Water")
    density, heat = PropsSI("D", *state), PropsSI("C", *state)
    viscosity = PropsSI("V", *state)
    assert density == pytest.approx(998.2072, abs=5e-5)
    assert heat == pytest.approx(4184, abs=0.5)
    assert density * 4184 == pytest.approx(4176498.925, rel=1e-6)
    assert viscosity / density == pytest.approx(1.0034e-6, rel=1e-4)


def test_trajectories_agree_between_steps(build, run):
    """Filled, heated, vented and drained, at 1 and 50 ms: alike within 0.1 % of each range."""
    rig = """
    S_1: {type: supply, level: 6 m, temperature: 12 degC, contains: {salt: 40 kg/m3}}
    T_1: {type: tank, diameter: 0.6 m, height: 1.4 m, initial_level: 0.3 m, temperature: 40 degC,
          vent: 3 mm, heat_loss: 60 W/K, bottom: dished}
    P_1: {type: pump, from: S_1, to: T_1, shutoff_head: 12 m, rated_flow: 80 L/min,
          rated_head: 8 m, line_loss: 4 m}
    J_1: {type: jacket, in: T_1, transfer: 6 kW/K, medium: 120 degC, stroke_time: 4 s}
    E_1: {type: heater, in: T_1, power: 20 kW}
    V_1: {type: valve, from: T_1, to: H_1, kv: 8 m3/h, stroke_time: 2 s}
    H_1: {type: header, elevation: -1 m}
    TT_1: {type: temperature_transmitter, in: T_1, range: [0 degC, 100 degC], lag: 6 s}
    """
    ports = {"T_1.level": 1.4, "T_1.temperature": 100, "TT_1.signal": 100, "T_1.mean_1": 40}
    commands = [
        {"P_1.run": True},
        {"J_1.open": True, "E_1.run": True},
        {"P_1.run": False},
        {"V_1.open": True},
        {"J_1.open": False},
        {"V_1.open": False, "E_1.run": False},
    ]
    traces = []
    for step in ("1 ms", "50 ms"):
        plant, trace = build(rig, step), []
        for command in commands:
            for terminal, value in command.items():
                plant.write(terminal, value)
            for _ in range(4):
                run(plant, 3)
                trace.append(plant.reader(list(ports))())
        traces.append(trace)
    for fine, coarse in zip(*traces, strict=True):
        for one, other, span in zip(fine, coarse, ports.values(), strict=True):
            assert other == pytest.approx(one, abs=1e-3 * span)
    levels = [values[0] for values in traces[0]]
    assert max(levels) - min(levels) > 0.2
    degrees = [values[1] - 273.15 for values in traces[0]]
    assert max(degrees) - min(degrees) > 15
