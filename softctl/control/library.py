"""Function blocks that programs of a controller may use besides those of IEC 61131-3."""

from __future__ import annotations

from importlib.resources import files

from softctl.logic import Source


def controller_blocks() -> tuple[Source, ...]:
    """Their sources: one block each, with what it does in its head comment."""
    folder = files("softctl.control").joinpath("blocks")
    found = sorted((file for file in folder.iterdir()), key=lambda file: file.name)
    return tuple(
        Source(f"softctl/control/blocks/{file.name}", file.read_text("utf-8"))
        for file in found
        if file.name.endswith(".st")
    )
