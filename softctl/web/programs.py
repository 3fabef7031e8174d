"""The texts of the programs that run."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

from softctl.control.library import controller_blocks
from softctl.errors import SoftctlError
from softctl.logic import Application, Source
from softctl.logic.resolve import LIBRARY


def program_sources(application: Application) -> Sequence[Source]:
    """An application's own sources, not the libraries that it uses."""
    others = {LIBRARY, *(source.name for source in controller_blocks())}
    found = {block.source.name: block.source for block in application.world.blocks.values()}
    return [source for name, source in found.items() if name not in others]


def find_source(sources: Sequence[Source], file: str) -> Source:
    """The source of that name, or of a file of that name; raises SoftctlError."""
    for source in sources:
        if file in (source.name, PurePath(source.name).name):
            return source
    known = ", ".join(source.name for source in sources)
    raise SoftctlError(f"expected a program's file ({known}), got {file}")
