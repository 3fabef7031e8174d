"""The plant as a document that a real controller's engineering software may import."""

from __future__ import annotations

from collections.abc import Sequence

from softctl.logic import Source
from softctl.logic.exchange import Exchanged, st_to_xml
from softctl.machine import Machine
from softctl.plant.generate import PROGRAM
from softctl.plant.library import load_library
from softctl.plant.simulation import build_plant


def export_plant(
    machine: Machine, blocks: Sequence[Source] = (), *, version: str = "", created: str = ""
) -> Exchanged:
    """The wired plant and the blocks that it uses as one IEC 61131-10 document.

    `created` is its date and time in ISO 8601. Its program is to be called once in each
    step of `machine.plant_step_ns`. Raises ProblemsError as `build_plant` does.
    """
    plant = build_plant(machine, blocks)
    library = load_library(machine, blocks, [])
    sources = [*library.standard, *blocks, Source(PROGRAM, plant.source)]
    title = f"{machine.name} plant"
    given = {"created": created} if created else {}
    return st_to_xml(sources, title=title, version=version, **given)
