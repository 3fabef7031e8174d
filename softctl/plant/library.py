"""The blocks that come with softctl, and those of a machine folder."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files

from softctl.errors import Problem, ProblemsError
from softctl.logic import BlockInterface, Source, compile_application
from softctl.machine import Machine
from softctl.plant.blocks import BlockType, block_type
from softctl.plant.features import FEATURES, HEAT, Feature, used_features, without
from softctl.plant.species import MOST_SPECIES, for_species

# What blocks are made of is no equipment, and is found by what they say: the type of what
# carriers hand to each other, the loop of a transmitter, the volumes of vessels. Nor are the
# functions equipment that features bring.
_MADE_OF = {
    "part": re.compile(r"(?::|\bOF)\s*part\b", re.IGNORECASE),
    "contactor": re.compile(r":\s*contactor\b", re.IGNORECASE),
    "current_loop": re.compile(r":\s*current_loop\b", re.IGNORECASE),
    "geometry": re.compile(r"\b(?:tank_volume|tank_level|above_outlet)\(", re.IGNORECASE),
}
_HELPERS = frozenset({*_MADE_OF, *(one.helper for one in FEATURES if one.helper)})


@dataclass(frozen=True, slots=True)
class Library:
    """The blocks at hand for one machine: `types` by lower-case name.

    `standard` are the sources of softctl's own that the machine uses.
    """

    standard: tuple[Source, ...]
    types: Mapping[str, BlockType]
    features: tuple[Feature, ...]

    @property
    def has_heat(self) -> bool:
        """True where temperatures are worked out."""
        return HEAT in self.features


@cache
def standard_names() -> tuple[str, ...]:
    """The types that come with softctl: each is in the file of its name."""
    return tuple(name for name in every_standard_name() if name not in _HELPERS)


@cache
def every_standard_name() -> tuple[str, ...]:
    """The types, and what they are made of."""
    found = (entry.name for entry in files("softctl.plant").iterdir())
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
    made_of = [name for name, use in _MADE_OF.items() if any(map(use.search, used))]
    texts |= {name: standard_text(name) for name in made_of}
    features = used_features(machine, used)
    texts |= {one.helper: standard_text(one.helper) for one in features if one.helper}
    species = min(len(machine.species), MOST_SPECIES)
    standard = tuple(_source(name, text, tuple(features), species) for name, text in texts.items())
    interfaces, errors = _interfaces(standard, tuple((one.name, one.text) for one in blocks))
    problems += errors
    types = [block_type(interface, problems) for interface in interfaces]
    return Library(standard, {type_.name.lower(): type_ for type_ in types}, tuple(features))


@lru_cache(maxsize=16)
def _interfaces(
    standard: tuple[Source, ...], blocks: tuple[tuple[str, str], ...]
) -> tuple[tuple[BlockInterface, ...], tuple[Problem, ...]]:
    """What blocks look like from outside, and what is wrong with a folder's.

    A folder's machine is read again and again, for each set of parameters of its trials.
    """
    try:
        application = compile_application([Source(*one) for one in blocks], library=standard)
    except ProblemsError as error:
        return tuple(compile_application([], library=standard).blocks.values()), error.problems
    return tuple(application.blocks.values()), ()


@lru_cache(maxsize=256)
def _source(name: str, text: str, features: tuple[Feature, ...], species: int) -> Source:
    text = without(text, (one for one in FEATURES if one not in features))
    text = for_species(text, species)
    return Source(f"softctl/plant/{name}.st", text)
