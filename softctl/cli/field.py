"""The command line of `field`: one simulated machine, or many."""

from __future__ import annotations

from functools import partial
from typing import Annotated

import typer

from softctl.cli.options import (
    AuditFile,
    FieldPort,
    ForSeconds,
    Log,
    LogFormat,
    MachineDir,
    Speed,
    WireFaultsFile,
)
from softctl.errors import SoftctlError


def field(
    folder: MachineDir = None,
    speed: Speed = 1.0,
    host: Annotated[
        str | None,
        typer.Option(help="Address to listen on; the machine file's if left out."),
    ] = None,
    port: FieldPort = None,
    log: Log = LogFormat.TEXT,
    seconds: ForSeconds = None,
    wire_faults: WireFaultsFile = None,
    count: Annotated[
        int | None,
        typer.Option(
            metavar="N", help="Serve so many independent machines, each with a seed of its own."
        ),
    ] = None,
    base_port: Annotated[
        int | None,
        typer.Option(
            min=1, max=65535, metavar="PORT", help="They are at ports in a row from this one on."
        ),
    ] = None,
    base_address: Annotated[
        str | None,
        typer.Option(
            metavar="HOST", help="They are at loopback addresses in a row from this one on."
        ),
    ] = None,
    base_unit: Annotated[
        int | None,
        typer.Option(
            min=1, max=247, metavar="UNIT", help="They are at unit ids in a row from this one on."
        ),
    ] = None,
    audit: AuditFile = None,
) -> None:
    """Run the simulated machine alone.

    It is behind the Modbus/TCP server of its I/O cards. With --count there are many of it,
    to load a client with.
    """
    from softctl.cli import fleet, live
    from softctl.cli.audit import run_field_and_note

    options = live.Options(folder, speed, log is LogFormat.JSON, seconds, wire_faults=wire_faults)
    bases = fleet.Bases(base_port, base_address, base_unit)
    if count is not None:
        run = partial(fleet.run_fleet, where=(host, port), count=count, bases=bases)
        run_field_and_note(options, audit, run)
    elif bases.given:
        raise SoftctlError(f"expected --count N beside {bases.given[0]}, got none")
    else:
        run_field_and_note(options, audit, partial(live.run_field, where=(host, port)))
