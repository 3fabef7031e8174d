"""The blocks that come with softctl, and those of a machine folder."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from softctl.errors import Problem, ProblemsError
from softctl.logic import Source, compile_application
from softctl.machine import Machine
from softctl.plant.blocks import BlockType, block_type
from softctl.plant.species import MOST_SPECIES, for_species, names_heat, needs_heat, without_heat

# The type of what carriers hand to each other is no equipment.
PART = "part"
_PART_TYPE = re.compile(rf"(:|\bOF)\s*{PART}\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Library:
    """The blocks at hand for one machine: `types` by lower-case name.

    `standard` are the sources of softctl's own that the machine uses. `has_heat` is True
    where temperatures are worked out.
    """

    standard: tuple[Source, ...]
    types: Mapping[str, BlockType]
    has_heat: bool


@cache
def standard_names() -> tuple[str, ...]:
    """The types that come with softctl: each is in the file of its name."""
    found = {entry.name for entry in files("softctl.plant").iterdir()} - {f"{PART}.st"}
    return tuple(sorted(name.removesuffix(".st") for name in found if name.endswith(".st")))


@cache
def standard_text(name: str) -> str:
    """One of softctl's own types as it is written: for two species, with heat."""
    return (files("softctl.plant") / f"{name}.st").read_text(encoding="utf-8")


def load_library(machine: Machine, blocks: Sequence[Source], problems: list[Problem]) -> Library:
    """Compile the blocks of a folder and softctl's own as far as they are used.

    Errors in a folder's blocks are added to `problems`; then softctl's own are still there.
    """
    wanted = {equipment.type.lower() for equipment in machine.equipment.values()}
    texts = {name: standard_text(name) for name in standard_names() if name in wanted}
    used = [*texts.values(), *(block.text for block in blocks)]
    if any(map(_PART_TYPE.search, used)):
        texts[PART] = standard_text(PART)
    has_heat = names_heat(machine) or any(map(needs_heat, used))
    standard = tuple(_source(machine, name, text, has_heat) for name, text in texts.items())
    try:
        application = compile_application(blocks, library=standard)
    except ProblemsError as error:
        problems += error.problems
        application = compile_application([], library=standard)
    interfaces = application.blocks.values()
    types = [block_type(interface, problems) for interface in interfaces]
    return Library(standard, {type_.name.lower(): type_ for type_ in types}, has_heat)


def _source(machine: Machine, name: str, text: str, has_heat: bool) -> Source:
    if not has_heat:
        text = without_heat(text)
    text = for_species(text, min(len(machine.species), MOST_SPECIES))
    return Source(f"softctl/plant/{name}.st", text)
