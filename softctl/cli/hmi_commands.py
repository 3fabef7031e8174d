"""The command lines of `audit` and `drill`: an HMI in front of a machine."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from softctl.cli.options import (
    Commands,
    FieldPort,
    HmiHost,
    HmiPort,
    Log,
    LogFormat,
    MachineDir,
    Speed,
    WireFaultsFile,
)


def audit(
    folder: MachineDir = None,
    time: Annotated[
        str | None, typer.Option("--for", metavar="TIME", help="How long, such as '10 min'.")
    ] = None,
    speed: Speed = 1.0,
    field_port: FieldPort = None,
    hmi_host: HmiHost = None,
    hmi_port: HmiPort = None,
    command: Commands = None,
    log: Log = LogFormat.TEXT,
    json: Annotated[Path | None, typer.Option(metavar="FILE", help="The record as JSON.")] = None,
    csv: Annotated[
        Path | None, typer.Option(metavar="FILE", help="How each point is used, as CSV.")
    ] = None,
    wire_faults: WireFaultsFile = None,
) -> None:
    """Run a machine and grade what an HMI asks of it.

    Connect the HMI, use its screens, and stop with Ctrl-C or at the end of the time. Exit
    code 1 if there is an error or a warning, 2 if it cannot be run.
    """
    from softctl.cli import audit as command_line
    from softctl.cli import live
    from softctl.cli.durations import read_duration

    seconds = None if time is None else read_duration(time) / 1e9
    options = live.Options(
        folder,
        speed,
        log is LogFormat.JSON,
        seconds,
        tuple(command or ()),
        wire_faults=wire_faults,
    )
    is_clean = command_line.run_audited(
        options,
        command_line.Records(json, csv),
        partial(live.run, field_port=field_port, hmi=(hmi_host, hmi_port)),
    )
    if not is_clean:
        raise typer.Exit(1)


def drill(
    folder: MachineDir = None,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", metavar="NAME", help="Only this drill; may be repeated."),
    ] = None,
    plan: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Which drills, in which order, how long.")
    ] = None,
    before: Annotated[
        str, typer.Option(metavar="TIME", help="How long to watch the HMI before the first drill.")
    ] = "10 s",
    within: Annotated[
        str,
        typer.Option(metavar="TIME", help="How long it may take to poll everything again."),
    ] = "30 s",
    unattended: Annotated[
        bool, typer.Option("--unattended", help="Ask nobody what the screen showed.")
    ] = False,
    record: Annotated[
        Path | None, typer.Option("--json", metavar="FILE", help="The record as JSON.")
    ] = None,
    speed: Speed = 1.0,
    field_port: FieldPort = None,
    hmi_host: HmiHost = None,
    hmi_port: HmiPort = None,
    command: Commands = None,
    log: Log = LogFormat.TEXT,
) -> None:
    """Run a machine and see whether an HMI survives what goes wrong on the wire.

    Connect the HMI and open a screen first. Exit code 1 if a drill is failed.
    """
    from softctl.cli import drill as command_line
    from softctl.cli import live
    from softctl.cli.durations import read_duration
    from softctl.runtime.drill_runner import Timing

    passed = command_line.run_drills(
        live.Options(folder, speed, log is LogFormat.JSON, None, tuple(command or ())),
        command_line.choose_drills(tuple(only or ()), plan),
        Timing(read_duration(before), read_duration(within)),
        hmi=(hmi_host, hmi_port),
        field_port=field_port,
        ask=not unattended,
        record=record,
    )
    if not passed:
        raise typer.Exit(1)
