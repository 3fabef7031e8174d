"""The command lines of `audit`, `drill` and `checkout`: an HMI in front of a machine."""

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
    Html,
    Log,
    LogFormat,
    MachineDir,
    Pdf,
    Speed,
    StateDirectory,
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
    html: Html = None,
    pdf: Pdf = None,
    wire_faults: WireFaultsFile = None,
) -> None:
    """Run a machine and grade what an HMI asks of it.

    Connect the HMI, use its screens, and stop with Ctrl-C or at the end of the time. Exit
    code 1 if there is an error or a warning, 2 if it cannot be run.
    """
    from softctl.cli import audit as command_line
    from softctl.cli import live
    from softctl.cli.durations import read_duration
    from softctl.runtime.records import RecordFiles

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
        RecordFiles(json=json, csv=csv, html=html, pdf=pdf),
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
    json: Annotated[Path | None, typer.Option(metavar="FILE", help="The record as JSON.")] = None,
    html: Html = None,
    pdf: Pdf = None,
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
    from softctl.runtime.records import RecordFiles

    passed = command_line.run_drills(
        live.Options(folder, speed, log is LogFormat.JSON, None, tuple(command or ())),
        command_line.choose_drills(tuple(only or ()), plan),
        Timing(read_duration(before), read_duration(within)),
        hmi=(hmi_host, hmi_port),
        field_port=field_port,
        ask=not unattended,
        files=RecordFiles(json=json, html=html, pdf=pdf),
    )
    if not passed:
        raise typer.Exit(1)


def checkout(
    folder: MachineDir = None,
    only: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME",
            help="Only points, or steps, that this pattern names, such as 'LT_*'; repeatable.",
        ),
    ] = None,
    role: Annotated[
        list[str] | None,
        typer.Option(metavar="ROLE", help="Only inputs, commands, alarms…; repeatable."),
    ] = None,
    card: Annotated[
        list[str] | None,
        typer.Option(metavar="CARD", help="Only the points of this card; repeatable."),
    ] = None,
    failed: Annotated[
        bool, typer.Option("--failed", help="Ask for the steps that failed, again.")
    ] = False,
    all_: Annotated[
        bool, typer.Option("--all", help="Ask for steps that have a verdict too.")
    ] = False,
    reviewer: Annotated[
        str, typer.Option(metavar="NAME", help="Who says what the screens show.")
    ] = "",
    tolerance: Annotated[
        float,
        typer.Option(min=0.0, max=10.0, help="How far a value may be off, in % of its range."),
    ] = 0.5,
    blind: Annotated[
        bool, typer.Option("--blind", help="Do not say what the screen ought to show.")
    ] = False,
    session: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Where the session is kept; else in your state home."),
    ] = None,
    new: Annotated[
        bool, typer.Option("--new", help="Begin a new session, and keep the one before.")
    ] = False,
    report: Annotated[
        bool, typer.Option("--report", help="Ask nothing: only write the record again.")
    ] = False,
    hmi_host: HmiHost = None,
    hmi_port: HmiPort = None,
    state: StateDirectory = None,
    json: Annotated[Path | None, typer.Option(metavar="FILE", help="The record as JSON.")] = None,
    csv: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A row for each step, as CSV.")
    ] = None,
    html: Html = None,
    pdf: Pdf = None,
) -> None:
    """Check an HMI's screens point by point, with a person in front of them.

    Values are put into the HMI map, which no program fills, and you say what the screen
    shows; you operate the HMI, and what it writes is looked at. The next run goes on where
    this one stops. Exit code 1 unless every step has passed.
    """
    from softctl.cli import checkout as command_line
    from softctl.errors import SoftctlError
    from softctl.runtime.checkouts import Choice
    from softctl.runtime.records import RecordFiles

    if failed and all_:
        raise SoftctlError("expected --failed or --all, got both")
    passed = command_line.run_checkout(
        command_line.Options(
            folder=folder,
            choice=Choice(tuple(only or ()), tuple(role or ()), tuple(card or ())),
            only="failed" if failed else "all" if all_ else "open",
            reviewer=reviewer,
            tolerance=tolerance / 100,
            blind=blind,
            session=session,
            state=state,
            is_new=new,
            report_only=report,
        ),
        (hmi_host, hmi_port),
        RecordFiles(json=json, csv=csv, html=html, pdf=pdf),
    )
    if not passed:
        raise typer.Exit(1)
