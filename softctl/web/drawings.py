"""The process picture and the charts, with the channels that they need."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from softctl.logic import Application
from softctl.picture import Terms, process_picture, sequence_charts
from softctl.picture.waiting import reasons
from softctl.plant import wire_plant
from softctl.runtime.folder import MachineFolder

_LIVE = ("plant:", "parts:")


def draw_process(folder: MachineFolder, *, has_plant: bool) -> dict[str, Any]:
    """The geometry of a machine's picture."""
    wiring = wire_plant(folder.machine, folder.blocks)
    return process_picture(folder.machine, wiring, has_plant=has_plant)


def draw_charts(application: Application, terms: Terms) -> list[dict[str, Any]]:
    """The geometry of the charts, with the reasons for which a term is never known."""
    charts = sequence_charts(application)
    for chart in charts:
        reasons(chart, terms.why)
    return charts


def plant_channels(drawing: Any) -> tuple[str, ...]:
    """The channels of the plant that a drawing names, each once."""
    return tuple(dict.fromkeys(_texts(drawing)))


def _texts(part: Any) -> Iterator[str]:
    if isinstance(part, str):
        if part.startswith(_LIVE):
            yield part
    elif isinstance(part, dict):
        for value in part.values():
            yield from _texts(value)
    elif isinstance(part, list):
        for value in part:
            yield from _texts(value)
