"""Whose controller and whose field a live trial has, and whether it may."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass

from softctl.errors import SoftctlError
from softctl.machine import Machine
from softctl.runtime.hosts import is_loopback, require_drivable

Where = tuple[str, int]


async def _nothing() -> None:
    """Prepare nothing."""


@dataclass(frozen=True, slots=True)
class Parties:
    """The parties of a live run.

    `controller` is where somebody else's controller serves the machine's HMI map, with
    `has_their_controller` alone for one without a map, and `field` where somebody else's
    field is; without them they are ours. Our field listens at `field_port` for their controller,
    by default at the machine file's. Before each trial `prepare` is called, and then the
    commands `rest` are given, which are to bring their controller to rest. It may react, and be
    seen, up to `lag_ns` of wall time and four scans late.
    """

    has_their_controller: bool = False
    controller: Where | None = None
    field: Where | None = None
    field_port: int | None = None
    rest: tuple[str, ...] = ()
    lag_ns: int = 100_000_000
    prepare: Callable[[], Awaitable[None]] = _nothing

    @property
    def are_ours(self) -> bool:
        """Whether both parties are our own."""
        return not self.has_their_controller and self.field is None

    def told(self) -> str:
        """Who they are, in the words of a record; empty for our own."""
        words = []
        if self.has_their_controller:
            where = f"at {_at(self.controller)}" if self.controller else "without an HMI map"
            words.append(f"somebody else's controller {where}")
        if self.field is not None:
            words.append(f"somebody else's field at {_at(self.field)}")
        return " and ".join(words)

    def require_allowed(self, machine: Machine, speed: float, confirmed: Sequence[str]) -> None:
        """Raise SoftctlError unless all that a run drives may be driven, at this speed.

        Commands to a controller and outputs of a field can move a machine, so a host that is
        not loopback has to be in the machine file's `drives` and among those confirmed.
        """
        if self.controller is not None:
            _require_confirmed(machine, self.controller[0], confirmed)
            if machine.hmi.security is not None:
                raise SoftctlError(
                    "expected an HMI map in the clear for trials, got one with `tls:`: the "
                    "machine file names no certificate for a client of it"
                )
        if self.field is not None and not self.has_their_controller:
            _require_confirmed(machine, self.field[0], confirmed)
        hosts = [where[0] for where in (self.controller, self.field) if where is not None]
        far = [host for host in hosts if not is_loopback(host)]
        if far and speed != 1.0:
            raise SoftctlError(
                f"expected speed 1 with a party at {far[0]}, which is not this computer, "
                f"got {speed:g}: a real machine runs in real time"
            )


def _require_confirmed(machine: Machine, host: str, confirmed: Sequence[str]) -> None:
    require_drivable(machine, host, host if host in confirmed else None)


def _at(where: Where) -> str:
    return f"{where[0]}:{where[1]}"
