"""The blocks that come with softctl, and those of a machine folder."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from softctl.errors import Problem, ProblemsError
from softctl.logic import Source, compile_application
from softctl.plant.blocks import BlockType, block_type


@dataclass(frozen=True, slots=True)
class Library:
    """The blocks at hand for one machine: `types` by lower-case name.

    `standard` are the sources of softctl's own that the machine uses.
    """

    standard: tuple[Source, ...]
    types: Mapping[str, BlockType]


@cache
def standard_names() -> tuple[str, ...]:
    """The types that come with softctl: each is in the file of its name."""
    found = (entry.name for entry in files("softctl.plant").iterdir())
    return tuple(sorted(name.removesuffix(".st") for name in found if name.endswith(".st")))


@cache
def standard_source(name: str) -> Source:
    """The text of one of softctl's own types."""
    text = (files("softctl.plant") / f"{name}.st").read_text(encoding="utf-8")
    return Source(f"softctl/plant/{name}.st", text)


def load_library(used: Iterable[str], blocks: Sequence[Source], problems: list[Problem]) -> Library:
    """Compile the blocks of a folder and softctl's own as far as they are used.

    Errors in a folder's blocks are added to `problems`; then softctl's own are still there.
    """
    wanted = {name.lower() for name in used}
    standard = tuple(standard_source(name) for name in standard_names() if name in wanted)
    try:
        application = compile_application(blocks, library=standard)
    except ProblemsError as error:
        problems += error.problems
        application = compile_application([], library=standard)
    interfaces = application.blocks.values()
    types = [block_type(interface, problems) for interface in interfaces]
    return Library(standard, {type_.name.lower(): type_ for type_ in types})
