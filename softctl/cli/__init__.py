"""The `softctl` command."""

from __future__ import annotations

import gc

_YOUNG_OBJECTS = 50_000
"""Importing and compiling make many objects and hardly a cycle: looking for one after every
700 objects, as Python does unasked, would cost a tenth of the start."""


def main() -> None:
    """Run the command line."""
    gc.set_threshold(_YOUNG_OBJECTS, 20, 50)
    from softctl.cli.app import main as run

    run()


__all__ = ["main"]
