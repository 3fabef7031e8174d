"""Whose controller and field a live trial has, from the command line."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace

from softctl.control.hmi import HmiMap
from softctl.errors import SoftctlError
from softctl.machine import Machine
from softctl.runtime.parties import Parties

UNMAPPED = "unmapped"


@dataclass(frozen=True, slots=True)
class Given:
    """The options as they were given."""

    controller: str | None
    field: str | None
    drive: tuple[str, ...]
    field_port: int | None
    rest: tuple[str, ...]
    prepare: str | None


def read_parties(given: Given, machine: Machine, speed: float, *, live: bool) -> Parties:
    """The parties, which may be driven; raises SoftctlError for what does not go together."""
    from softctl.cli.live import endpoint

    if given.controller is None and given.field is None:
        _require_none(given)
        return Parties()
    if not live:
        raise SoftctlError(
            "expected --controller and --field with --live, got neither clock nor wire"
        )
    is_mapped = given.controller is not None and given.controller != UNMAPPED
    if given.rest and not is_mapped:
        raise SoftctlError("expected --rest with --controller HOST:PORT, which takes commands")
    if given.field_port is not None and given.field is not None:
        raise SoftctlError("expected --field-port for our own field, got --field too")
    if given.field_port is not None and given.controller is None:
        raise SoftctlError("expected --field-port with --controller, which connects to it")
    HmiMap(machine).require_commands(given.rest)
    parties = Parties(
        has_their_controller=given.controller is not None,
        controller=endpoint(given.controller or "") if is_mapped else None,
        field=None if given.field is None else endpoint(given.field),
        field_port=given.field_port,
        rest=given.rest,
    )
    if given.prepare is not None:
        parties = replace(parties, prepare=_Preparation(given.prepare).run)
    parties.require_allowed(machine, speed, given.drive)
    return parties


def _require_none(given: Given) -> None:
    """What is for the other party is an error where there is none."""
    options = {
        "--drive": given.drive,
        "--field-port": given.field_port is not None,
        "--rest": given.rest,
        "--prepare": given.prepare,
    }
    for name, is_given in options.items():
        if is_given:
            raise SoftctlError(f"expected {name} with --controller or --field, got neither")


@dataclass(frozen=True, slots=True)
class _Preparation:
    """A command line that a person wants run before each trial."""

    line: str

    async def run(self) -> None:
        """Run it to its end; raises SoftctlError where it fails."""
        process = await asyncio.create_subprocess_shell(
            self.line, stdout=asyncio.subprocess.DEVNULL
        )
        # It may leave something running, which keeps its output open.
        code = await process.wait()
        if code:
            raise SoftctlError(f"expected `{self.line}` to prepare a trial, got exit code {code}")
