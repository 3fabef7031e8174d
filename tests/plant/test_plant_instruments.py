"""Level switches and transmitters."""

from __future__ import annotations

import math
from itertools import product

import pytest

RISING = """
S_1: {{type: supply}}
T_1: {{type: tank, diameter: 1 m, height: 2 m, initial_level: {level}}}
F_1: {{type: feed, from: S_1, to: T_1, rate: {rate}}}
{instrument}
"""
AREA = math.pi / 4


def rig(instrument, level="0.5 m", rate="0 L/s"):
    return RISING.format(instrument=instrument, level=level, rate=rate)


# Contact closed, by level above the trip, direction it closes on, form at rest, supply.
TRUTH = {
    (above, closes_on, form, powered): (
        (above == (closes_on == "rising")) if powered else form == "normally_closed"
    )
    for above, closes_on, form, powered in product(
        (False, True), ("rising", "falling"), ("normally_open", "normally_closed"), (False, True)
    )
}
WORKED = {
    # A high-level trip that opens on high reads a broken supply as a trip only when its
    # contact is open at rest: healthy = energised = closed (practice guides).
    (False, "falling", "normally_open", True): True,
    (True, "falling", "normally_open", True): False,
    (False, "falling", "normally_open", False): False,
    # The same switch with a contact that is closed at rest hides a broken supply.
    (True, "falling", "normally_closed", False): True,
    (True, "rising", "normally_open", True): True,
    (False, "rising", "normally_open", True): False,
}


def test_the_truth_table_agrees_with_worked_cases():
    """The rule in this file is what the worked cases say."""
    assert {case: TRUTH[case] for case in WORKED} == WORKED
    assert len(TRUTH) == 16


@pytest.mark.parametrize("case", TRUTH)
def test_contact_sense(build, run, feed, case):
    """Wiring and logic sense are two things: sixteen cases of one switch."""
    above, closes_on, form, powered = case
    switch = (
        f"L_1: {{type: level_switch, in: T_1, level: 0.8 m, contact: {form}, "
        f"closes_on: {closes_on}}}"
    )
    plant = build(rig(switch, level="0.9 m" if above else "0.7 m"), blocks=feed)
    plant.write("L_1.powered", powered)
    plant.step()
    assert plant.read("L_1.contact") is TRUTH[case]


def test_hysteresis(build, run, feed):
    """A switch trips at its level on rising and releases lower by its differential."""
    switch = (
        "L_1: {type: level_switch, in: T_1, level: 0.8 m, differential: 30 mm, "
        "contact: normally_open, closes_on: rising}"
    )
    plant = build(rig(switch, rate="10 L/s"), "50 ms", feed)
    run(plant, 0.29 * AREA / 0.01)
    assert plant.read("L_1.contact") is False
    run(plant, 0.02 * AREA / 0.01)
    assert plant.read("L_1.contact") is True
    assert plant.read("L_1.changed_at_s") == pytest.approx(0.3 * AREA / 0.01, abs=1e-9)
    level, now = plant.read("T_1.level"), plant.now_ns / 1e9
    plant.write("F_1.rate", -0.01)
    run(plant, (level - 0.771) * AREA / 0.01)
    assert plant.read("L_1.contact") is True
    run(plant, 0.2)
    assert plant.read("L_1.contact") is False
    assert plant.read("L_1.changed_at_s") == pytest.approx(
        now + (level - 0.77) * AREA / 0.01, abs=1e-9
    )


def test_switches_start_in_the_state_of_the_level(build, feed):
    """Instruments show the initial state before the first step."""
    text = rig(
        "L_1: {type: level_switch, in: T_1, level: 0.4 m, contact: normally_open, "
        "closes_on: rising}\n"
        "L_2: {type: level_transmitter, in: T_1, range: [0.1 m, 2.1 m], lag: 3 s}"
    )
    plant = build(text, blocks=feed)
    contact, signal, current = plant.reader(["L_1.contact", "L_2.signal", "L_2.current"])()
    assert contact is True
    assert signal == 0.5
    assert current == pytest.approx(4 + 16 * 0.2)


TRANSMITTER = "L_1: {type: level_transmitter, in: T_1, range: [0 m, 2 m], lag: 2 s}"


@pytest.mark.parametrize("step", ["1 ms", "10 ms", "100 ms"])
def test_first_order_lag(build, run, step):
    """A step response follows 1 - EXP(-t / tau) at 0.5, 1, 2, 3, 4 and 5 lags."""
    shares = {0.5: 0.393469, 1: 0.632121, 2: 0.864665, 3: 0.950213, 4: 0.981684, 5: 0.993262}
    plant = build(
        """
        T_1: {type: tank, diameter: 1 m, height: 2 m, initial_level: 0.5 m}
        L_1: {type: level_transmitter, in: T_1, range: [0 m, 2 m], lag: 2 s}
        """,
        step,
    )
    # A step of the level that no liquid could make.
    plant.write("T_1.level", 1.5)
    plant.write("L_1.loop.before", 1.5)
    for lags, share in shares.items():
        run(plant, 2 * lags - plant.now_ns / 1e9)
        assert plant.read("L_1.signal") == pytest.approx(0.5 + share, abs=1e-6)


@pytest.mark.parametrize("step", ["1 ms", "100 ms"])
def test_lag_behind_a_ramp(build, run, feed, step):
    """Behind a level that rises evenly the signal settles one lag late, at any step."""
    plant = build(rig(TRANSMITTER, rate="1 L/s"), step, feed)
    run(plant, 60)
    rate = 0.001 / AREA
    behind = plant.read("T_1.level") - plant.read("L_1.signal")
    assert behind == pytest.approx(2 * rate * (1 - math.exp(-30)), rel=1e-9)


# NE 43: measuring range 3.8 to 20.5 mA, failure 3.6 mA and below or 21 mA and above.
@pytest.mark.parametrize(
    ("low", "high", "current"),
    [
        ("0 m", "2 m", 8.0),
        ("0.5 m", "1.5 m", 4.0),
        ("-0.5 m", "0.5 m", 20.0),
        ("0.52 m", "1.52 m", 3.8),
        ("-1.4 m", "0.46 m", 20 + 16 * 0.04 / 1.86),
        ("-1.4 m", "0.4 m", 20.5),
        ("1 m", "2 m", 3.8),
    ],
)
def test_ne_43_measuring_limits(build, feed, low, high, current):
    """The current saturates at 3.8 and 20.5 mA, and the signal says what it stands for."""
    text = f"L_1: {{type: level_transmitter, in: T_1, range: [{low}, {high}]}}"
    plant = build(rig(text), blocks=feed)
    plant.step()
    assert plant.read("L_1.current") == pytest.approx(current, abs=1e-9)
    bottom, top = float(low.split()[0]), float(high.split()[0])
    stands_for = bottom + (current - 4) / 16 * (top - bottom)
    assert plant.read("L_1.signal") == pytest.approx(stands_for, abs=1e-9)


@pytest.mark.parametrize(
    ("fails", "broken", "current", "percent"),
    [("low", False, 3.6, -2.5), ("high", False, 21.0, 106.25), ("high", True, 0.0, -25.0)],
)
def test_ne_43_failure_signals(build, feed, fails, broken, current, percent):
    """A failed device sends 3.6 or 21 mA; a broken loop carries nothing."""
    text = f"L_1: {{type: level_transmitter, in: T_1, range: [0 m, 2 m], fails: {fails}}}"
    plant = build(rig(text), blocks=feed)
    plant.write("L_1.broken" if broken else "L_1.failed", True)
    plant.step()
    assert plant.read("L_1.current") == pytest.approx(current)
    assert plant.read("L_1.signal") == pytest.approx(2 * percent / 100)


SWITCH = (
    "L_1: {{type: level_switch, in: T_1, level: 0.8 m, contact: normally_open, "
    "closes_on: rising, {more}}}"
)


@pytest.mark.parametrize("step", ["1 ms", "20 ms", "100 ms"])
def test_debounce(build, run, feed, step):
    """A switch changes only after the level has been past its limit for the time, unbroken."""
    plant = build(rig(SWITCH.format(more="debounce: 2 s"), rate="10 L/s"), step, feed)
    crossed = 0.3 * AREA / 0.01
    run(plant, crossed + 1.9)
    assert plant.read("L_1.contact") is False
    run(plant, 0.3)
    assert plant.read("L_1.contact") is True
    assert plant.read("L_1.changed_at_s") == pytest.approx(crossed + 2, abs=1e-9)


def test_a_wave_does_not_pass_the_debounce(build, run, feed):
    """A surface that swings about the limit never holds for the time, and nothing changes."""
    plant = build(rig(SWITCH.format(more="debounce: 1 s"), level="0.795 m"), "20 ms", feed)
    area = AREA
    for half in range(12):
        plant.write("F_1.rate", (0.01 if half % 2 == 0 else -0.01) * area / 0.8)
        run(plant, 0.8)
        assert plant.read("L_1.contact") is False
    plant.write("F_1.rate", 0.01 * area)
    run(plant, 2)
    assert plant.read("L_1.contact") is True


def test_bounce(build, run, feed):
    """The contact chatters for its time after each change, the same in every run, then rests."""

    def record():
        plant = build(rig(SWITCH.format(more="bounce: 300 ms"), rate="10 L/s"), "10 ms", feed)
        run(plant, 0.29 * AREA / 0.01)
        contacts = []
        for _ in range(200):
            plant.step()
            contacts.append(plant.read("L_1.contact"))
        return contacts

    contacts = record()
    assert contacts == record()
    changes = [i for i in range(1, 200) if contacts[i] != contacts[i - 1]]
    assert len(changes) > 5
    assert 20 <= changes[-1] - changes[0] <= 30
    assert contacts[-1] is True


def test_no_chatter_at_the_start(build, feed):
    """A contact that is closed from the start does not chatter."""
    plant = build(rig(SWITCH.format(more="bounce: 300 ms"), level="0.9 m"), "10 ms", feed)
    for _ in range(40):
        assert plant.read("L_1.contact") is True
        plant.step()


# 12 bits over 2 m: a count is 2 m / 4095.
@pytest.mark.parametrize("level", [0.0, 0.0001, 0.4999, 1.23456, 2.0])
def test_resolution_in_counts(build, level):
    """The signal goes in whole counts of the range, to the nearest one."""
    plant = build(
        f"""
        T_1: {{type: tank, diameter: 1 m, height: 2 m, initial_level: {level} m}}
        L_1: {{type: level_transmitter, in: T_1, range: [0 m, 2 m], counts: 4095}}
        """
    )
    counts = plant.read("L_1.signal") / 2 * 4095
    assert counts == pytest.approx(round(counts), abs=1e-9)
    assert abs(plant.read("L_1.signal") - level) <= 1 / 4095
    assert plant.read("L_1.current") == pytest.approx(4 + 16 * round(counts) / 4095, abs=1e-9)


def test_counts_do_not_round_a_failure_away(build):
    """A failed device still sends 3.6 mA, with counts as wide as they may be."""
    plant = build(
        """
        T_1: {type: tank, diameter: 1 m, height: 2 m, initial_level: 1 m}
        L_1: {type: level_transmitter, in: T_1, range: [0 m, 2 m], counts: 2}
        """
    )
    assert plant.read("L_1.signal") == 1.0
    plant.write("L_1.failed", True)
    plant.step()
    assert plant.read("L_1.current") == pytest.approx(3.6)
