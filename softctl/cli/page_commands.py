"""The command lines around the bench page."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from softctl.cli.options import (
    ControllersHmi,
    ForSeconds,
    Log,
    LogFormat,
    MachineDir,
    PageCertificate,
    PageHost,
    PageKey,
    PageNames,
    PagePeople,
    PageRole,
    PageRoleName,
    StateDirectory,
)
from softctl.cli.page import DEFAULT_PORT, PageOptions

BenchPort = Annotated[
    int,
    typer.Option(min=0, max=65535, help="Port of the page; 0 takes any free one."),
]


def bench(
    folder: MachineDir = None,
    hmi: ControllersHmi = None,
    drive: Annotated[
        str | None,
        typer.Option(
            metavar="HOST",
            help="Confirm that a controller at this host, which is not loopback and which the "
            "machine file names too, may be commanded.",
        ),
    ] = None,
    state: StateDirectory = None,
    page: BenchPort = DEFAULT_PORT,
    page_host: PageHost = "127.0.0.1",
    page_role: PageRole = PageRoleName.ENGINEER,
    page_people: PagePeople = None,
    page_certificate: PageCertificate = None,
    page_key: PageKey = None,
    page_name: PageNames = None,
    log: Log = LogFormat.TEXT,
    seconds: ForSeconds = None,
) -> None:
    """Serve the bench page of a controller that runs in another process.

    Points come over its HMI map; alarms, forces, programs and the past come from its state
    directory, where that is on this computer.
    """
    from softctl.cli import bench as command
    from softctl.cli.live import Options

    options = Options(folder, 1.0, log is LogFormat.JSON, seconds, state=state)
    shown = PageOptions(
        page,
        page_role,
        page_host,
        page_people,
        page_certificate,
        page_key,
        tuple(page_name or ()),
    )
    command.run_bench(options, shown, command.Attached(hmi, drive))


def page_entry(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Who may sign in.")],
    role: Annotated[
        PageRoleName, typer.Option(help="What that person may do.")
    ] = PageRoleName.VIEW,
    token: Annotated[
        bool, typer.Option("--token", help="Make a token, for a screen on a wall or a program.")
    ] = False,
) -> None:
    """Print a line for the file of --page-people.

    The password is asked for, or read as a line of standard input. A token is printed once,
    to standard error, and kept nowhere.
    """
    from softctl.web.access import read_role
    from softctl.web.people import password_entry, token_entry

    found = read_role(role.value)
    if token:
        entry, word = token_entry(name, found)
        typer.echo(f"token (shown this once): {word}", err=True)
    else:
        entry = password_entry(name, found, _password())
    typer.echo(entry.line())


def _password() -> str:
    if sys.stdin.isatty():
        text: str = typer.prompt("Password", hide_input=True, confirmation_prompt=True, err=True)
        return text
    return sys.stdin.readline().rstrip("\r\n")
