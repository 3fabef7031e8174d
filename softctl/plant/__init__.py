"""The simulated machine: equipment as function blocks, wired by a generated program."""

from __future__ import annotations

from softctl.plant.faults import Fault
from softctl.plant.parts import CarrierRow, Move, Part, PartTrace
from softctl.plant.simulation import Plant, VesselRow, build_plant, check_plant, wire_plant

__all__ = [
    "CarrierRow",
    "Fault",
    "Move",
    "Part",
    "PartTrace",
    "Plant",
    "VesselRow",
    "build_plant",
    "check_plant",
    "wire_plant",
]
