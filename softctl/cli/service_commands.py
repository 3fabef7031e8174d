"""The command lines of `load`, `force`, `release`, `alarms` and `journal`."""

from __future__ import annotations

from enum import Enum
from pathlib import Path
from typing import Annotated

import typer

from softctl.errors import SoftctlError

_Machine = Annotated[
    Path | None,
    typer.Argument(metavar="DIR", help="A machine folder; the demo machine if left out."),
]
_Folder = Annotated[
    Path | None,
    typer.Option("--machine", metavar="DIR", help="The machine folder; the demo if left out."),
]
_State = Annotated[
    Path | None,
    typer.Option("--state", metavar="DIR", help="The state directory, if it was started with one."),
]
_For = Annotated[str, typer.Option("--for", metavar="TIME", help="How long, such as '10 min'.")]


class AlarmAct(Enum):
    """What a person does to an alarm."""

    ACKNOWLEDGE = "acknowledge"
    CONFIRM = "confirm"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    REMOVE = "remove"
    RETURN = "return"


def load(
    folder: _Machine = None,
    state: _State = None,
) -> None:
    """Send a changed program to the controller that runs this machine.

    It changes between two scans and goes on with the values it has; what does not compile
    changes nothing.
    """
    from softctl.cli import service

    service.load(service.Running(folder, state))


def stop(folder: _Machine = None, state: _State = None) -> None:
    """Stop the programs of a running controller.

    Forces end and every output goes to its fail-safe value until a restart. This is a
    command over a computer, never an emergency stop.
    """
    from softctl.cli import service

    service.stop(service.Running(folder, state))


def restart(
    folder: _Machine = None,
    cold: Annotated[
        bool, typer.Option("--cold", help="RETAIN variables at their initial values too.")
    ] = False,
    state: _State = None,
) -> None:
    """Start stopped or failed programs of a running controller anew.

    Whether anything moves then is up to the programs.
    """
    from softctl.cli import service

    service.restart(service.Running(folder, state), cold=cold)


def force(
    path: Annotated[
        str | None, typer.Argument(metavar="[PATH", help="A point, or Program.Variable.")
    ] = None,
    value: Annotated[
        str | None, typer.Argument(metavar="VALUE]", help="TRUE, 1.5, T#10s, 'text'…")
    ] = None,
    time: _For = "10 min",
    reason: Annotated[str, typer.Option(help="Why, for the journal.")] = "",
    folder: _Folder = None,
    state: _State = None,
) -> None:
    """Hold a point or variable of a running controller at a value for a time.

    Without arguments it lists what is held. A force overrules the program and its
    interlocks: nobody is protected from what it does.
    """
    from softctl.cli import service

    running = service.Running(folder, state)
    if path is None:
        service.show_forces(running)
    elif value is None:
        raise SoftctlError(f"expected a value to hold {path} at, got none")
    else:
        service.force(running, path, value, time, reason)


def release(
    path: Annotated[
        str | None, typer.Argument(metavar="[PATH]", help="What to let go; all if left out.")
    ] = None,
    folder: _Folder = None,
    state: _State = None,
) -> None:
    """End a force of a running controller, or all of them."""
    from softctl.cli import service

    service.release(service.Running(folder, state), path)


def alarms(
    act: Annotated[AlarmAct | None, typer.Argument(metavar="[ACT", help="What to do.")] = None,
    name: Annotated[str | None, typer.Argument(metavar="NAME]", help="The alarm.")] = None,
    everything: Annotated[bool, typer.Option("--all", help="Normal ones too.")] = False,
    time: _For = "10 min",
    folder: _Folder = None,
    state: _State = None,
) -> None:
    """List the alarms of a running controller, or act on one.

    ACT is acknowledge, confirm, reset, shelve (for --for), unshelve, remove (from service)
    or return.
    """
    from softctl.cli import service

    running = service.Running(folder, state)
    if act is None:
        service.show_alarms(running, everything=everything)
    elif name is None:
        raise SoftctlError(f"expected the name of an alarm to {act.value}, got none")
    else:
        service.act_on_alarm(running, act.value, name, time)


def journal(
    folder: _Machine = None,
    kind: Annotated[
        list[str] | None, typer.Option("--kind", help="Only entries of this kind, such as alarm.")
    ] = None,
    name: Annotated[
        list[str] | None, typer.Option("--name", help="Only this point, alarm or guard.")
    ] = None,
    since: Annotated[
        str | None, typer.Option(help="From this time on: 2026-03-01T12:00 (UTC) or '10 min' ago.")
    ] = None,
    until: Annotated[str | None, typer.Option(help="Up to this time, likewise.")] = None,
    samples: Annotated[
        bool, typer.Option("--samples", help="The values of points instead of what happened.")
    ] = False,
    csv: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write CSV instead of printing.")
    ] = None,
    parquet: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write Parquet (needs the extra 'parquet')."),
    ] = None,
    state: _State = None,
) -> None:
    """Read what a controller noted: alarms, commands, forces, starts, values."""
    from softctl.cli.journal import JournalOptions, show_journal

    show_journal(
        JournalOptions(
            folder, state, tuple(kind or ()), tuple(name or ()), since, until, samples, csv, parquet
        )
    )
