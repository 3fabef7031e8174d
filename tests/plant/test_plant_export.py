"""The wired plant as a document, with everything that a plant can have."""

from __future__ import annotations

from test_plant_fault_table import RIG, RUNNING

from softctl.logic import Source, compile_application
from softctl.logic.exchange import xml_to_st
from softctl.plant import build_plant
from softctl.plant.export import export_plant


def test_a_plant_with_everything_comes_back_the_same(machine_with):
    """Read back, a plant with heat, vents and five species goes through the same states."""
    species = ", density_rise: {salt: 0.677, herb: 0.1}"
    machine = machine_with(RIG, species, "salt, dye, herb, milk, lime")
    plant = build_plant(machine)
    exported = export_plant(machine)
    back = xml_to_st(exported.text, "plant.xml")
    program = compile_application([Source("plant.st", back.text)]).instantiate()
    program.scan(0)
    for terminal in RUNNING:
        plant.write(terminal, True)
        program.write(f"Plant.{terminal}", True)
    for step in range(400):
        program.scan(step * plant.step_ns)
        plant.step()
    for port in ("T_1.level", "T_1.mixture_density", "T_1.temperature", "L_1.flow", "T_1.mass_5"):
        assert program.read(f"Plant.{port}") == plant.read(port)
    assert plant.read("T_1.temperature") != 313.15
