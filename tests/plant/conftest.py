"""Builds plants from an equipment section alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from textwrap import dedent, indent

import pytest

from softctl.errors import Place, Problem, ProblemsError
from softctl.logic import Source
from softctl.machine import Machine, parse_machine
from softctl.plant import Plant, build_plant, check_plant

_HEAD = """\
name: rig
title: Test rig
description: A rig for one test
species: [salt, dye]
control: {{scan: 50 ms, fail_safe_after: 500 ms}}
plant: {{step: {step}, seed: 1{more}}}
field: {{host: 127.0.0.1, port: 15020, unit: 1, word_order: ABCD}}
hmi: {{host: 127.0.0.1, port: 15021, unit: 1, word_order: ABCD}}
programs: [rig.st]
equipment:
{equipment}
{points}"""


def machine_text(equipment: str, points: str = "", step: str = "10 ms", more: str = "") -> str:
    """A machine file with the given equipment section, and cards and points if any."""
    section = indent(dedent(equipment).strip(), "  ")
    return _HEAD.format(step=step, more=more, equipment=section, points=dedent(points))


def machine_of(equipment: str, points: str = "", step: str = "10 ms") -> Machine:
    """The machine of such a file."""
    return parse_machine(machine_text(equipment, points, step), "rig/machine.yaml")


@pytest.fixture(scope="session")
def build() -> Callable[..., Plant]:
    """`build(equipment, step="10 ms", blocks="")` gives a plant at its start."""

    def build_it(equipment: str, step: str = "10 ms", blocks: str = "") -> Plant:
        return build_plant(machine_of(equipment, step=step), sources(blocks))

    return build_it


@pytest.fixture(scope="session")
def machine_with() -> Callable[[str, str, str], Machine]:
    """`machine_with(equipment, more, species)`: `more` is added to the plant section."""

    def parse_it(equipment: str, more: str, species: str) -> Machine:
        text = machine_text(equipment, more=more).replace("[salt, dye]", f"[{species}]")
        return parse_machine(text, "rig/machine.yaml")

    return parse_it


@pytest.fixture(scope="session")
def planned() -> Callable[[str, str], Plant]:
    """`planned(equipment, tail)` gives a plant of a file that ends in `tail`."""
    return lambda equipment, tail: build_plant(machine_of(equipment, tail))


@pytest.fixture(scope="session")
def build_dense() -> Callable[..., Plant]:
    """`build_dense(equipment)` gives a plant whose salt raises the density by 0.677."""

    def build_it(equipment: str, step: str = "10 ms") -> Plant:
        text = machine_text(equipment, step=step, more=", density_rise: {salt: 0.677}")
        return build_plant(parse_machine(text, "rig/machine.yaml"))

    return build_it


@pytest.fixture(scope="session")
def problems_of() -> Callable[..., list[Problem]]:
    """`problems_of(equipment, points="", blocks="")` gives what check_plant finds."""

    def find(equipment: str, points: str = "", blocks: str = "") -> list[Problem]:
        machine = machine_of(equipment, points)
        found = check_plant(machine, sources(blocks))
        if found:
            with pytest.raises(ProblemsError):
                build_plant(machine, sources(blocks))
        return found

    return find


@pytest.fixture(scope="session")
def what_stands_at() -> Callable[..., str]:
    """`what_stands_at(equipment, place)` is the rest of the machine file's line from there."""

    def find(equipment: str, place: Place, points: str = "") -> str:
        assert place.file == "rig/machine.yaml"
        return machine_text(equipment, points).splitlines()[place.line - 1][place.column - 1 :]

    return find


@pytest.fixture(scope="session")
def run() -> Callable[[Plant, float], None]:
    """`run(plant, seconds)` advances a plant to the step nearest to that time."""

    def advance(plant: Plant, seconds: float) -> None:
        for _ in range(round(seconds * 1e9 / plant.step_ns)):
            plant.step()

    return advance


def sources(text: str) -> Sequence[Source]:
    """The ST sources of a machine folder, if any."""
    return [Source("rig/blocks.st", dedent(text))] if text else []


FEED = """\
(* A flow of the user's own, m3/s, of a concentration in kg/m3. *)
{role: line, keys: from to}
FUNCTION_BLOCK feed
VAR_INPUT
    {unit: m3/s, min: 0, max: 1}
    rate : LREAL := 0.0;
    {unit: kg/m3}
    salt : LREAL := 0.0;
    {wire: from.available, less: moved}
    available : LREAL;
    {step}
    step_s : LREAL;
END_VAR
VAR_OUTPUT
    moved : LREAL;
    moved_1 : LREAL;
    moved_2 : LREAL;
END_VAR
VAR
    ready : BOOL;
END_VAR

IF ready THEN
    moved := MIN(rate * step_s, available);
    moved_1 := salt * moved;
END_IF;
ready := TRUE;
END_FUNCTION_BLOCK
"""


@pytest.fixture(scope="session")
def feed() -> str:
    """A block of the user's own: a constant flow with a concentration."""
    return FEED
