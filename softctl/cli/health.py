"""The command that container engines ask whether something still works."""

from __future__ import annotations

from typing import Annotated

import typer

UNHEALTHY = 1


def health(
    where: Annotated[
        str,
        typer.Argument(
            metavar="HOST:PORT|URL",
            help="A Modbus/TCP server in the clear, or a page such as the /health of --metrics.",
        ),
    ],
    unit: Annotated[int, typer.Option(min=0, max=255, help="Unit id to ask.")] = 1,
    timeout: Annotated[
        float, typer.Option(min=0.02, max=60.0, help="Seconds that an answer may take.")
    ] = 2.0,
) -> None:
    """Ask whether a server or page that should run does, for health checks.

    Ends with 0 where a Modbus/TCP server answers a read, if only with an exception, or where
    a page has status 200; else with 1.
    """
    from softctl.cli.endpoints import endpoint
    from softctl.runtime.health_checks import ask_http, ask_modbus

    if where.startswith("http://"):
        answer = ask_http(where, timeout)
    else:
        answer = ask_modbus(*endpoint(where, has_tls=False), unit, timeout)
    typer.echo(answer.text)
    if not answer.is_good:
        raise typer.Exit(UNHEALTHY)
