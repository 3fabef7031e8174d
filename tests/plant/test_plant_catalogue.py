"""The list of types, what the README says about equipment, and each block's head comment."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from softctl.plant import Fault
from softctl.plant.catalogue import standard_types, to_markdown, type_rows
from softctl.plant.library import every_standard_name, standard_names, standard_text

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
EQUIPMENT = README.partition("\n## Equipment\n")[2].partition("\n## ")[0]


def fenced(kind):
    return re.findall(rf"^```{kind}\n(.*?)^```$", EQUIPMENT, re.MULTILINE | re.DOTALL)


def test_the_readme_lists_every_type():
    """The README's table is the one that `softctl plant --types` prints."""
    is_there = to_markdown(type_rows(standard_types())) in EQUIPMENT
    assert is_there, "put what `softctl plant --types` prints in place of the README's table"


def test_rows_tell_the_pragmas():
    """A row has neighbours and required keys, choices, lists, commands and outputs."""
    rows = {row.name: row for row in type_rows(standard_types())}
    assert set(rows) == set(standard_names())
    valve = rows["valve"]
    assert valve.needed == ("from", "to", "kv or bore")
    assert "spring closes/opens" in valve.possible
    assert valve.inputs == ("open",)
    assert "flow m3/s" in valve.outputs
    assert "stuck" in valve.faults
    assert "range [m, m]" in rows["level_transmitter"].needed
    assert "contains {species: kg/m3}" in rows["tank"].possible


def test_the_readmes_own_block_runs(build, run):
    """The block that the README shows is equipment, with the fault that it declares."""
    (block,) = fenced("st")
    (equipment,) = [text for text in fenced("yaml") if text.startswith("equipment:")]
    plant = build(equipment.removeprefix("equipment:\n"), blocks=block)
    plant.step()
    assert plant.read("AT_1.turbidity") == pytest.approx(0.6)
    plant.inject(Fault("AT_1", "fouled", at_ns=plant.now_ns))
    plant.step()
    assert plant.read("AT_1.turbidity") == pytest.approx(0.3)


def test_the_readmes_faults_are_offered(planned):
    """The faults that the README plans fit the demo's kind of equipment."""
    (faults,) = [text for text in fenced("yaml") if text.startswith("faults:")]
    equipment = """
    T_1: {type: tank, diameter: 1 m, height: 2 m}
    M_1: {type: motor}
    LSH_101: {type: level_switch, in: T_1, level: 1 m, contact: normally_open, closes_on: rising}
    LT_101: {type: level_transmitter, in: T_1, range: [0 m, 2 m], noise: 2 mm}
    """
    assert "motor trip" in planned(equipment, faults).faults("M_1")


@pytest.mark.parametrize("name", sorted({*every_standard_name()} - {"part"}))
def test_every_block_says_what_it_is(name):
    """Each file starts with a comment that names units, validity and sources."""
    head = standard_text(name).partition("*)")[0]
    assert head.startswith("(*\n")
    for word in ("Source", "Units: ", "Valid "):
        assert word in head, f"{name} has no {word.strip()}"
