"""The certs command: test certificates for a machine that speaks Modbus/TCP Security."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import typer

from softctl.errors import SoftctlError
from softctl.runtime.certificate_plan import Authority, Purpose, plan_certificates
from softctl.runtime.folder import read_machine, shown_path

TEST_ONLY: Final = (
    "CAUTION: a test authority. Whoever can read its key can make a certificate for any role, "
    "so it protects nothing. Never let a real machine trust it, and never commit a key."
)


@dataclass(frozen=True, slots=True)
class Options:
    """What the command line says: further host names, days of validity, kind of keys."""

    hosts: tuple[str, ...]
    days: int
    keys: str
    overwrite: bool


def make(folder: Path, options: Options) -> None:
    """Make the certificates that a machine file names, and print what was made."""
    try:
        from softctl.runtime.certificate_maker import KeyKind, make_certificates
    except ImportError as error:
        raise SoftctlError(
            "expected the package cryptography, which makes certificates, got none: "
            "pip install 'softctl[tls]'"
        ) from error
    authorities = plan_certificates(read_machine(folder), folder, options.hosts)
    make_certificates(
        authorities,
        days=options.days,
        kind=KeyKind(options.keys),
        overwrite=options.overwrite,
    )
    for authority in authorities:
        _print_authority(authority)
    typer.echo(
        f"Keys have the same names with .key or as the machine file says, mode 0600; "
        f"valid for {options.days} days."
    )
    typer.echo(TEST_ONLY, err=True)


def _print_authority(authority: Authority) -> None:
    typer.echo(f"{shown_path(authority.certificate)}  authority")
    for wanted in authority.signs:
        if wanted.purpose is Purpose.SERVER:
            what = f"server, reached as {', '.join(wanted.hosts)}"
        else:
            what = f"client, role '{wanted.role}'" if wanted.role else "client without a role"
        typer.echo(f"{shown_path(wanted.certificate)}  {what}")
