"""Where many devices of one machine answer: ports, loopback addresses or unit ids in a row."""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from softctl.errors import SoftctlError
from softctl.runtime.hosts import is_loopback

MAX_DEVICES = 5_000
MAX_UNIT = 247
"""Unit ids 1 to 247 address devices (Modbus over Serial Line V1.02, section 2.2)."""

_OTHER_FILES = 64
"""Files and sockets that a run has besides those of its devices."""


class Spread(Enum):
    """What tells one device from the next."""

    PORT = "port"
    ADDRESS = "address"
    UNIT = "unit"


@dataclass(frozen=True, slots=True)
class Seat:
    """Where one device answers."""

    host: str
    port: int
    unit: int

    def __str__(self) -> str:
        return f"{self.host}:{self.port} unit {self.unit}"


def seats(count: int, first: Seat, spread: Spread) -> list[Seat]:
    """The seats of so many devices in a row; port 0 stays 0, any free port.

    Raises:
        SoftctlError: there are not so many, or the addresses would not be loopback.
    """
    if not 1 <= count <= MAX_DEVICES:
        raise SoftctlError(f"expected a count of 1 to {MAX_DEVICES} devices, got {count}")
    if spread is Spread.PORT:
        return _by_port(count, first)
    if spread is Spread.UNIT:
        return _by_unit(count, first)
    return _by_address(count, first)


def require_one_unit(units: Sequence[int]) -> None:
    """Raise SoftctlError where the machine's own cards already answer at several unit ids."""
    if len(units) > 1:
        raise SoftctlError(
            "expected a machine whose cards answer at one unit id, to put devices at unit ids, "
            f"got {', '.join(map(str, units))}: use ports or addresses"
        )


def require_files(listeners: int) -> None:
    """Let this process open as many sockets as it may; raises SoftctlError if too few."""
    try:
        import resource
    except ImportError:  # not every system counts them
        return
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    if most == resource.RLIM_INFINITY:
        return
    # Each device has a socket to listen at and wants a client.
    needed = 2 * listeners + _OTHER_FILES
    if needed > most:
        raise SoftctlError(
            f"expected a limit of at least {needed} open files for {listeners} servers with a "
            f"client each, got {most} (ulimit -Hn)"
        )
    resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))


def _by_port(count: int, first: Seat) -> list[Seat]:
    if not first.port:
        return [first] * count
    last = first.port + count - 1
    if last > 65_535:
        raise SoftctlError(
            f"expected ports up to 65535, got {first.port} to {last} for {count} devices"
        )
    return [Seat(first.host, port, first.unit) for port in range(first.port, last + 1)]


def _by_unit(count: int, first: Seat) -> list[Seat]:
    last = first.unit + count - 1
    if first.unit < 1 or last > MAX_UNIT:
        raise SoftctlError(
            f"expected unit ids between 1 and {MAX_UNIT}, got {first.unit} to {last} for "
            f"{count} devices"
        )
    return [Seat(first.host, first.port, unit) for unit in range(first.unit, last + 1)]


def _by_address(count: int, first: Seat) -> list[Seat]:
    try:
        start = ipaddress.IPv4Address(first.host)
        hosts = [str(start + index) for index in range(count)]
    except ValueError:
        raise SoftctlError(
            f"expected a loopback address such as 127.0.1.1, got {first.host}"
        ) from None
    if not (is_loopback(hosts[0]) and is_loopback(hosts[-1])):
        raise SoftctlError(f"expected loopback addresses, got {hosts[0]} to {hosts[-1]}")
    return [Seat(host, first.port, first.unit) for host in hosts]
