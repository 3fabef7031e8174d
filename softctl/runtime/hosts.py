"""Which hosts outputs may be driven at."""

from __future__ import annotations

import ipaddress
import socket

from softctl.errors import SoftctlError
from softctl.machine import Machine


def is_loopback(host: str) -> bool:
    """Whether every address that a host name or address stands for is a loopback address."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        pass
    try:
        found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    except OSError:
        return False
    return all(ipaddress.ip_address(str(entry[4][0])).is_loopback for entry in found)


def require_drivable(machine: Machine, host: str, confirmed: str | None) -> None:
    """Raise SoftctlError unless outputs may be driven at `host`.

    Real machines move when their outputs are written. A host that is not loopback has to
    be named in the machine file's `drives` and, again, by the person who starts the run.
    """
    if is_loopback(host):
        return
    missing = []
    if host not in machine.drives:
        missing.append(f"`drives: [{host}]` in {machine.file}")
    if confirmed != host:
        missing.append(f"`--drive {host}` on the command line")
    if missing:
        raise SoftctlError(
            f"expected a loopback address to drive outputs at, got {host}: writing outputs can "
            f"move a real machine and hurt people. If that is what you want, add "
            + " and ".join(missing)
            + "."
        )


def require_simulated(host: str) -> None:
    """Raise SoftctlError unless the field at `host` is on this computer.

    Wire faults on purpose may lose an operator's STOP, so no machine that could be real
    may run beside them, confirmed or not.
    """
    if not is_loopback(host):
        raise SoftctlError(
            f"expected a field at a loopback address with --wire-faults, got {host}: a command "
            "that is lost on purpose, such as STOP, could hurt people at a real machine."
        )
