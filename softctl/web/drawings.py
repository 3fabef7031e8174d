"""The process picture and the charts, from the package that draws them."""

from __future__ import annotations

from typing import Any

from softctl.logic import Application
from softctl.runtime.folder import MachineFolder


def drawings(folder: MachineFolder, application: Application) -> tuple[Any, list[Any]]:
    """The geometry of a machine's picture and of its programs' charts."""
    return None, []
