"""The command that writes JSON Schemas of the files that people write, for their editors."""

from __future__ import annotations

import json
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from softctl.errors import SoftctlError


class FileKind(StrEnum):
    """What people write."""

    MACHINE = "machine"
    TRIALS = "trials"
    CAMPAIGNS = "campaigns"
    WIRE_FAULTS = "wire-faults"
    DRILLS = "drills"


def schema(
    kind: Annotated[FileKind, typer.Argument(help="Which kind of file.")],
    to: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write it here, else on the terminal.")
    ] = None,
) -> None:
    """Print the JSON Schema of a kind of file, for an editor that checks YAML while you type."""
    text = json.dumps(_schemas()[kind](), indent=2, ensure_ascii=False) + "\n"
    if to is None:
        typer.echo(text, nl=False)
        return
    try:
        to.write_text(text, encoding="utf-8")
    except OSError as error:
        raise SoftctlError(f"expected to write {to}, got {error.strerror or error}") from error
    typer.echo(f"{to}: schema of {kind.value} files")


def _schemas() -> dict[FileKind, Callable[[], dict[str, Any]]]:
    from softctl.audit.drill_plan import drill_schema
    from softctl.machine import machine_schema
    from softctl.trial.schema import campaign_schema, trial_schema
    from softctl.wire.schema import wire_schema

    return {
        FileKind.MACHINE: machine_schema,
        FileKind.TRIALS: trial_schema,
        FileKind.CAMPAIGNS: campaign_schema,
        FileKind.WIRE_FAULTS: wire_schema,
        FileKind.DRILLS: drill_schema,
    }
