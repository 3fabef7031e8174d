"""Pictures of small machines drawn at random: nothing on anything else, all inside."""

from __future__ import annotations

from functools import cache
from typing import Any

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from test_picture_process import faults_of

from softctl.machine import Machine, parse_machine
from softctl.picture import process_picture
from softctl.plant.library import Library, load_library, standard_names
from softctl.plant.wiring import Wiring, wire

HEAD = """
name: drawn
title: A machine drawn at random
description: Nobody would build it.
species: [{species}]
control: {{scan: 50 ms, fail_safe_after: 500 ms}}
plant: {{step: 10 ms, seed: 1}}
field: {{host: 127.0.0.1, port: 15020, unit: 1, word_order: ABCD}}
hmi: {{host: 127.0.0.1, port: 15021, unit: 1, word_order: CDAB}}
programs: [none.st]
cards:
  DI: {{kind: digital input, channels: 4, order_code: D}}
equipment:
{equipment}
points:
  START: {{role: command}}
"""
TANKS = (
    "diameter: 1 m, height: 2 m",
    "diameter: 2 m, height: 1 m, bottom: cone, bottom_depth: 0.3 m, top: dished",
    "diameter: 1 m, length: 3 m",
    "length: 2 m, width: 1 m, height: 3 m, elevation: -4 m",
)
LINES = (
    "type: pump, shutoff_head: 10 m, rated_flow: 10 L/min, rated_head: 5 m",
    "type: valve, kv: 5 m3/h",
    "type: dosing_pump, rated_flow: 1 L/min",
    "type: line, length: 5 m, bore: 50 mm",
)
FITTINGS = (
    "type: level_transmitter, range: [0 m, 1 m]",
    "type: level_switch, level: 0.9 m, contact: normally_open, closes_on: rising",
    "type: temperature_transmitter, range: [0 degC, 100 degC]",
    "type: agitator, diameter: 0.2 m, speed: 100 rpm, power_number: 1.2",
    "type: heater, power: 10 kW",
    "type: jacket, transfer: 100 W/K, medium: 90 degC",
)


@cache
def library() -> Library:
    """Every type of equipment, with two species."""
    every = "\n".join(f"  E{i}: {{type: {name}}}" for i, name in enumerate(standard_names()))
    text = HEAD.format(species="salt, sugar", equipment=every)
    return load_library(parse_machine(text, "all.yaml"), (), [])


def wired(text: str) -> tuple[Machine, Wiring]:
    """A machine with its equipment joined; the text has to be right."""
    machine = parse_machine(text, "drawn.yaml")
    problems: list[Any] = []
    wiring = wire(machine, library().types, problems)
    assert not problems, problems
    return machine, wiring


@st.composite
def liquids(draw: st.DrawFn) -> str:
    """Vessels and the lines between any two of them, in any direction, with what is fitted."""
    tanks = [f"T_{i}" for i in range(draw(st.integers(1, 4)))]
    ends = [f"S_{i}" for i in range(draw(st.integers(0, 2)))]
    sinks = [f"H_{i}" for i in range(draw(st.integers(0, 2)))]
    rows = [f"  {one}: {{type: tank, {draw(st.sampled_from(TANKS))}}}" for one in tanks]
    rows += [f"  {one}: {{type: supply, level: 1 m}}" for one in ends]
    rows += [f"  {one}: {{type: header, elevation: 0 m}}" for one in sinks]
    lines = draw(
        st.lists(
            st.tuples(
                st.sampled_from([*tanks, *ends]),
                st.sampled_from([*tanks, *sinks]),
                st.sampled_from(LINES),
                st.integers(0, 2),
            ),
            max_size=8,
        )
    )
    for i, (start, end, kind, meters) in enumerate(lines):
        rows.append(f"  L_{i}: {{{kind}, from: {start}, to: {end}}}")
        for k in range(meters):
            rows.append(
                f"  FT_{i}{k}: {{type: flow_transmitter, in: L_{i}, range: [0 L/min, 9 L/min]}}"
            )
        if "type: line" in kind and meters:
            rows.append(f"  M_{i}: {{type: motor}}")
            rows.append(
                f"  P_{i}: {{type: inline_pump, line: L_{i}, motor: M_{i}, shutoff_head: 10 m,"
                " rated_flow: 10 L/min, rated_head: 5 m}"
            )
            rows.append(f"  XV_{i}: {{type: inline_valve, line: L_{i}, kv: 5 m3/h}}")
    fitted = st.lists(st.tuples(st.sampled_from(tanks), st.sampled_from(FITTINGS)), max_size=12)
    for i, (tank, kind) in enumerate(draw(fitted)):
        rows.append(f"  X_{i}: {{{kind}, in: {tank}}}")
    return "\n".join(rows)


@st.composite
def parts(draw: st.DrawFn) -> str:
    """A chain of belts and tables with eyes, scales and pushers, and bins behind them."""
    count = draw(st.integers(1, 4))
    rows = ["  K_0: {type: bin}", "  K_1: {type: bin}"]
    rows.append(
        "  CS: {type: part_source, to: B_0, interval: 5 s, weight: [1 kg, 2 kg],"
        " height: [0.1 m, 0.2 m], length: [0.1 m, 0.2 m]}"
    )
    for i in range(count):
        to = f"B_{i + 1}" if i + 1 < count else "K_0"
        if i and draw(st.booleans()):
            rows.append(f"  B_{i}: {{type: index_table, nests: 6, unload_after: 3, to: {to}}}")
            continue
        rows.append(f"  M_{i}: {{type: motor}}")
        rows.append(f"  B_{i}: {{type: belt, drive: M_{i}, to: {to}, length: 3 m, speed: 0.1 m/s}}")
        for k in range(draw(st.integers(0, 5))):
            place = draw(st.integers(3, 27)) / 10
            rows.append(
                f"  PE_{i}{k}: {{type: photo_eye, on: B_{i}, position: {place} m, switching: dark}}"
            )
        for k in range(draw(st.integers(0, 2))):
            place = draw(st.integers(5, 25)) / 10
            rows.append(f"  Y_{i}{k}: {{type: cylinder}}")
            rows.append(
                f"  X_{i}{k}: {{type: pusher, on: B_{i}, cylinder: Y_{i}{k}, to: K_1,"
                f" position: {place} m, face: 0.3 m, contact: 0.05 m, over: 0.15 m}}"
            )
    return "\n".join(rows)


# Without shrinking: a machine that fails is small enough to read.
SOME = settings(
    max_examples=25,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=[HealthCheck.too_slow],
)


@SOME
@given(liquids(), st.booleans(), st.booleans())
def test_vessels_and_lines_at_random(equipment: str, has_species: bool, has_plant: bool) -> None:
    """Any vessels, lines in circles and back to themselves, and many instruments."""
    species = "salt, sugar" if has_species else ""
    machine, wiring = wired(HEAD.format(species=species, equipment=equipment))
    assert faults_of(process_picture(machine, wiring, has_plant=has_plant)) == []


@SOME
@given(parts())
def test_belts_and_tools_at_random(equipment: str) -> None:
    """Any chain of carriers, with as many eyes and tools as they have room for."""
    machine, wiring = wired(HEAD.format(species="", equipment=equipment))
    assert faults_of(process_picture(machine, wiring)) == []


def test_what_belongs_to_nothing_stands_apart() -> None:
    """A motor that drives nothing and a cylinder that moves nothing are drawn by themselves."""
    equipment = "  M_1: {type: motor}\n  Y_1: {type: cylinder}"
    machine, wiring = wired(HEAD.format(species="", equipment=equipment))
    picture = process_picture(machine, wiring)
    assert [one["name"] for one in picture["machines"]] == ["M_1", "Y_1"]
    assert faults_of(picture) == []


def test_a_machine_without_equipment_has_an_empty_picture() -> None:
    """Nothing to draw is no error."""
    text = HEAD.format(species="", equipment="").replace("equipment:", "equipment: {}")
    picture = process_picture(*wired(text))
    assert picture["vessels"] == []
    assert picture["width"] > 0
