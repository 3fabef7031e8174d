"""Every fault of every type of process equipment: what it does, and that it heals.

Each row runs one plant twice from the same state, once with the fault. While it lasts the
terminals show what the row says; after its end they are back at the healthy plant's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest

from softctl.plant import Fault
from softctl.plant.library import standard_names

S = 10**9
RIG = """
S_1: {type: supply, level: 1.5 m, contains: {salt: 30 kg/m3}, temperature: 20 degC}
S_2: {type: supply, level: 8 m, temperature: 20 degC}
H_1: {type: header}
T_1: {type: tank, diameter: 3 m, height: 2 m, initial_level: 1 m, elevation: 1 m, vent: 20 mm,
      temperature: 40 degC, contains: {salt: 10 kg/m3}}
P_1: {type: pump, from: S_1, to: T_1, shutoff_head: 12 m, rated_flow: 40 L/min,
      rated_head: 8 m, line_loss: 4 m}
Q_1: {type: inflow, to: T_1, mean_flow: 0.1 L/s}
V_1: {type: valve, from: T_1, to: H_1, kv: 6 m3/h, stroke_time: 2 s}
D_1: {type: dosing_pump, from: S_1, to: T_1, rated_flow: 12 L/h}
M_1: {type: motor}
IP_1: {type: inline_pump, line: L_1, motor: M_1, shutoff_head: 12 m, rated_flow: 10 m3/h,
       rated_head: 8 m}
IV_1: {type: inline_valve, line: L_1, kv: 20 m3/h, stroke_time: 2 s}
L_1: {type: line, from: S_2, to: H_1, length: 20 m, bore: 50 mm}
L_2: {type: line, from: S_1, to: T_1, length: 20 m, bore: 10 mm, check_valve: true}
A_1: {type: agitator, in: T_1, diameter: 0.3 m, speed: 100 rpm, power_number: 1}
E_1: {type: heater, in: T_1, power: 12 kW}
J_1: {type: jacket, in: T_1, transfer: 500 W/K, medium: 90 degC, stroke_time: 2 s}
LS_1: {type: level_switch, in: T_1, level: 1.5 m, contact: normally_open, closes_on: falling}
LS_2: {type: level_switch, in: T_1, level: 1.5 m, contact: normally_open, closes_on: rising}
LT_1: {type: level_transmitter, in: T_1, range: [0 m, 2 m]}
TT_1: {type: temperature_transmitter, in: T_1, range: [0 degC, 100 degC]}
CT_1: {type: conductivity_transmitter, in: T_1, range: [0 S/m, 10 S/m],
       conducts: {salt: 0.2 S/m/(kg/m3)}}
W_1: {type: weigh_cell, in: T_1, range: [0 kg, 20 t]}
PT_1: {type: pressure_transmitter, in: T_1, elevation: 1 m, range: [0 bar, 1 bar]}
FT_1: {type: flow_transmitter, in: L_1, range: [0 L/s, 10 L/s], pulse_volume: 1 L}
"""
RUNNING = ["P_1.run", "V_1.open", "D_1.run", "M_1.run", "IV_1.open", "A_1.run", "E_1.run"]


@dataclass(frozen=True)
class Row:
    """What a terminal shows while a fault lasts: a value, or one made of the healthy one.

    A terminal may be `rate EQUIPMENT.PORT`, its change in a second, or `count
    EQUIPMENT.PORT`, the steps in which it was TRUE. `do` is written when the fault comes.
    """

    equipment: str
    fault: str
    shows: Mapping[str, Any]
    size: float | None = None
    do: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        return f"{self.equipment} {self.fault}".replace(" ", "-")


def same(healthy: float) -> Any:
    return pytest.approx(healthy, rel=2e-3)


def times(share: float) -> Callable[[float], Any]:
    return lambda healthy: pytest.approx(share * healthy, rel=5e-3)


def plus(more: float) -> Callable[[float], Any]:
    return lambda healthy: pytest.approx(healthy + more, rel=1e-3)


class Other:
    """Equal to anything that is not near the healthy value."""

    def __init__(self, healthy: float) -> None:
        self.healthy = healthy

    def __eq__(self, found: object) -> bool:
        return abs(float(found) - self.healthy) > 1e-5 * abs(self.healthy)  # type: ignore[arg-type]

    def __repr__(self) -> str:
        return f"other than {self.healthy}"


class Below(Other):
    """Equal to anything below the healthy value."""

    def __eq__(self, found: object) -> bool:
        return float(found) < self.healthy - 1e-6  # type: ignore[arg-type]


# 0.61 * pi / 4 * 20 mm squared * sqrt(2 g * 1 m), in m3/s.
TORRICELLI = 0.61 * math.pi / 4 * 0.02**2 * math.sqrt(2 * 9.80665)
# 5 % of 6 m3/h under 2 m of water.
LEAK = 0.05 * 6 / 3600 * math.sqrt(2 * 0.0980665)


def transmitter(name: str, signal_at_4: float, span: float, drift: float) -> list[Row]:
    """The faults of one loop of 4 to 20 mA: NE 43 for the first, its card for the third."""

    def at(current: float) -> dict[str, Any]:
        signal = pytest.approx(signal_at_4 + span * (current - 4) / 16)
        return {f"{name}.current": pytest.approx(current), f"{name}.signal": signal}

    held = {f"{name}.drift": drift}
    return [
        Row(name, "device failure", at(3.6)),
        Row(name, "broken wire", at(0)),
        Row(name, "short circuit", at(25)),
        Row(name, "stuck", {f"{name}.signal": plus(-drift)}, do=held),
        Row(name, "drift", {f"{name}.signal": plus(drift)}, size=drift),
        Row(name, "noise", {f"{name}.signal": Other}, size=drift),
    ]


def motor(name: str, speed: str, stops: Mapping[str, Any] | None = None) -> list[Row]:
    """The faults of a contactor with its motor."""
    off = {f"{name}.running": False, speed: 0.0, **(stops or {})}
    on = {f"{name}.running": True, speed: pytest.approx(1)}
    return [
        Row(name, "motor trip", off),
        Row(name, "power dip", off),
        Row(name, "stuck", on, do={f"{name}.run": False}),
        Row(name, "no feedback", {f"{name}.running": False, speed: same}),
    ]


def actuated(name: str, flow: str) -> list[Row]:
    """The faults of a valve of 2 s stroke with limit switches; they last 5 s."""
    shut = {f"{name}.open": False}
    return [
        Row(name, "lost supply", {f"{name}.position": 0.0, flow: pytest.approx(0, abs=1e-9)}),
        Row(name, "stuck", {f"{name}.position": 1.0, f"{name}.opened": True}, do=shut),
        Row(name, "slow", {f"{name}.position": pytest.approx(0.75)}, size=10, do=shut),
        Row(name, "no opened feedback", {f"{name}.opened": False, flow: same}),
        Row(name, "no closed feedback", {f"{name}.closed": False, f"{name}.position": 0}, do=shut),
    ]


ROWS = [
    Row("S_1", "lost supply", {"P_1.flow": 0.0, "P_1.dry": True}),
    Row("T_1", "leak", {"rate T_1.leaked": pytest.approx(TORRICELLI, rel=5e-3)}, size=0.02),
    Row("T_1", "blocked vent", {"T_1.air_pressure": lambda healthy: Other(healthy)}),
    *motor("P_1", "P_1.speed", {"P_1.flow": 0.0}),
    Row("P_1", "blocked line", {"P_1.flow": times(0.4), "P_1.running": True}, size=0.6),
    Row("Q_1", "surge", {"Q_1.flow": pytest.approx(3e-4)}, size=3.0),
    Row("Q_1", "lost supply", {"Q_1.flow": 0.0}),
    *actuated("V_1", "V_1.flow"),
    Row("V_1", "leak", {"V_1.flow": pytest.approx(LEAK, rel=5e-3)}, 0.05, {"V_1.open": False}),
    Row("V_1", "blocked line", {"V_1.flow": 0.0, "V_1.opened": True}),
    *motor("D_1", "D_1.speed", {"D_1.flow": 0.0}),
    Row("D_1", "blocked line", {"D_1.flow": times(0.4)}, size=0.6),
    Row("D_1", "leak", {"D_1.flow": times(0.7)}, size=0.3),
    *motor("M_1", "M_1.speed"),
    Row("M_1", "slow", {"M_1.speed": pytest.approx(0.9)}, size=100, do={"M_1.run": False}),
    Row("IP_1", "worn", {"IP_1.gain": times(0.6)}, size=0.4),
    *actuated("IV_1", "L_1.flow"),
    Row("IV_1", "leak", {"IV_1.share": pytest.approx(0.05)}, size=0.05, do={"IV_1.open": False}),
    Row("L_1", "blocked line", {"L_1.flow": times(0.4)}, size=0.6),
    Row("L_2", "check valve stuck open", {"L_2.flow": Below}),
    *motor("A_1", "A_1.turning", {"A_1.blend_rate": 0.0}),
    Row("E_1", "power dip", {"E_1.running": False, "E_1.heating_h": 0.0}),
    Row("E_1", "stuck", {"E_1.running": True, "E_1.heating_h": 12e3}, do={"E_1.run": False}),
    Row("E_1", "no feedback", {"E_1.running": False, "E_1.heating_h": 12e3}),
    Row("E_1", "burnt out", {"E_1.heating_h": pytest.approx(9e3)}, size=0.25),
    *actuated("J_1", "J_1.duty"),
    Row("J_1", "leak", {"J_1.conductance_h": 50.0}, size=0.1, do={"J_1.open": False}),
    Row("J_1", "no medium", {"J_1.duty": 0.0, "J_1.opened": True}),
    Row("J_1", "fouled", {"J_1.duty": times(0.5)}, size=0.5),
    Row("LS_1", "lost supply", {"LS_1.contact": False}),
    Row("LS_1", "broken wire", {"LS_1.contact": False}),
    Row("LS_2", "short circuit", {"LS_2.contact": True}),
    Row("LS_1", "stuck", {"LS_1.contact": True}, do={"LS_1.trip_level": 0.5}),
    Row("LS_1", "drift", {"LS_1.contact": False}, size=-0.6),
    Row("LS_1", "wrong contact sense", {"LS_1.contact": False}),
    *transmitter("LT_1", 0, 2, 0.1),
    *transmitter("TT_1", 273.15, 100, 5),
    Row("TT_1", "shorted thermometer", {"TT_1.resistance": 0.0, "TT_1.current": 3.6}),
    *transmitter("CT_1", 0, 10, 0.5),
    *transmitter("W_1", 0, 20e3, 800),
    *transmitter("PT_1", 0, 1e5, 4000),
    *transmitter("FT_1", 0, 0.01, 2e-3),
    Row("FT_1", "no pulses", {"count FT_1.pulse": 0}),
]
# A trip of the motor protection waits for its reset.
RESETS = {("M_1", "motor trip"): {"M_1.reset": True}}
# The discrete machines' faults have tables of their own beside their tests.
DISCRETE = frozenset(
    [
        "belt",
        "belt_scale",
        "bin",
        "cylinder",
        "encoder",
        "gripper",
        "index_table",
        "part_source",
        "photo_eye",
        "pusher",
        "stopper",
    ]
)


@pytest.fixture(scope="module")
def plant(build):
    """The rig after five seconds with everything running, and its state then."""
    plant = build(RIG)
    for terminal in [*RUNNING, "J_1.open"]:
        plant.write(terminal, True)
    for _ in range(500):
        plant.step()
    return plant


@pytest.fixture(scope="module")
def started(plant):
    return plant.snapshot()


class Watch:
    """Advances a plant and tells what terminals showed."""

    def __init__(self, plant, terminals):
        self.plant = plant
        self.terminals = list(terminals)
        self.read = plant.reader([one.rpartition(" ")[2] for one in self.terminals])

    def over(self, seconds):
        before, counts = self.read(), [0] * len(self.terminals)
        for _ in range(round(seconds * S / self.plant.step_ns)):
            before = self.read()
            self.plant.step()
            counts = [n + bool(value) for n, value in zip(counts, self.read(), strict=True)]
        shown = zip(self.terminals, before, self.read(), counts, strict=True)
        return {name: self._shown(name, *values) for name, *values in shown}

    def _shown(self, name, before, value, count):
        if name.startswith("rate "):
            return (value - before) * S / self.plant.step_ns
        return count if name.startswith("count ") else value


def history(plant, started, row, fault):
    """What the terminals show at the end of five seconds of a fault, and five later."""
    plant.restore(started)
    watch = Watch(plant, row.shows)
    if fault:
        plant.inject(Fault(row.equipment, row.fault, plant.now_ns, 5 * S, row.size))
    for terminal, value in row.do.items():
        plant.write(terminal, value)
    during = watch.over(5)
    for terminal, value in RESETS.get((row.equipment, row.fault), {}).items():
        plant.write(terminal, value)
    return during, watch.over(5)


@pytest.mark.parametrize("row", ROWS, ids=str)
def test_every_fault_breaks_and_heals(plant, started, row):
    """While the fault lasts the terminals show it, and after its end no more."""
    healthy, later = history(plant, started, row, fault=False)
    broken, healed = history(plant, started, row, fault=True)
    expected = {
        name: shows(healthy[name]) if callable(shows) else shows
        for name, shows in row.shows.items()
    }
    assert broken == expected
    assert any(broken[name] != healthy[name] for name in broken)
    assert healed == {name: pytest.approx(later[name], rel=5e-3, abs=1e-9) for name in later}


def test_every_fault_has_its_row(plant):
    """Each fault that a type of process equipment offers stands in the table."""
    types = {piece.name: piece.block for piece in plant._wiring.pieces.values()}
    offered = {(block.name, fault) for block in types.values() for fault in block.faults()}
    assert {(types[row.equipment].name, row.fault) for row in ROWS} == offered
    without = {"manifold"}
    assert {block.name for block in types.values()} == set(standard_names()) - DISCRETE - without
