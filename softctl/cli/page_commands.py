"""The command lines around the bench page."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from softctl.cli.options import PageRoleName


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
