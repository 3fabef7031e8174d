"""The command lines of `record` and `replay`: a session kept, and played again."""

from __future__ import annotations

from enum import StrEnum
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
)


class ServerName(StrEnum):
    """A machine's two servers."""

    HMI = "hmi"
    FIELD = "field"


def record(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The recording to write.")],
    folder: MachineDir = None,
    server: Annotated[
        ServerName, typer.Option(help="Which server's clients: the HMIs, or the controller.")
    ] = ServerName.HMI,
    time: Annotated[
        str | None, typer.Option("--for", metavar="TIME", help="How long, such as '10 min'.")
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace FILE if it is there.")
    ] = False,
    speed: Speed = 1.0,
    field_port: FieldPort = None,
    hmi_host: HmiHost = None,
    hmi_port: HmiPort = None,
    command: Commands = None,
    log: Log = LogFormat.TEXT,
) -> None:
    """Run a machine and keep what a client asks, with the answers and their times.

    Stop with Ctrl-C or at the end of the time.
    """
    from softctl.cli import live, sessions
    from softctl.cli.durations import read_duration

    seconds = None if time is None else read_duration(time) / 1e9
    sessions.record(
        live.Options(folder, speed, log is LogFormat.JSON, seconds, tuple(command or ())),
        field_port=field_port,
        hmi=(hmi_host, hmi_port),
        recording=sessions.Recording(file, server.value, overwrite),
    )


def replay(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A recording.")],
    server: Annotated[str, typer.Argument(metavar="HOST:PORT", help="The server to ask.")],
    speed: Annotated[
        float, typer.Option(min=0.01, max=10_000.0, help="Against the recorded pace.")
    ] = 1.0,
    shape: Annotated[
        bool,
        typer.Option("--shape", help="Compare function, exception and length, not values."),
    ] = False,
    timeout: Annotated[
        float, typer.Option(min=0.02, max=60.0, help="Seconds that an answer may take.")
    ] = 1.0,
    confirm: Annotated[
        str | None,
        typer.Option(
            metavar="HOST",
            help="Confirm that this host, which is not loopback, may be written to. What it "
            "drives may move.",
        ),
    ] = None,
    json: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the result as JSON too.")
    ] = None,
) -> None:
    """Play a recording as its clients against any Modbus/TCP server, and compare the answers.

    Ends with 1 when an answer differs and with 2 when it cannot be played.
    """
    from softctl.cli import sessions

    is_same = sessions.replay(
        file,
        server,
        sessions.Playing(speed=speed, shape=shape, timeout_s=timeout, confirmed=confirm, json=json),
    )
    if not is_same:
        raise typer.Exit(1)
