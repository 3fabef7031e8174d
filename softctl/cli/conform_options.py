"""What the options of `softctl conform` mean."""

from __future__ import annotations

from pathlib import Path

from softctl.conform import Secured, Wanted
from softctl.conform.ranges import Ranges, join, parse_map, parse_ranges, parse_write_ranges
from softctl.errors import SoftctlError
from softctl.runtime.hosts import is_loopback


def addresses(map_: Path | None, map_server: str | None, ranges: list[str], unit: int) -> Ranges:
    """The addresses that exist, of a map file and of the command line; both may be empty.

    Raises:
        SoftctlError: the file cannot be read, or it or a range is not as it should be.
    """
    found = parse_ranges(ranges)
    if map_ is None:
        if map_server is not None:
            raise SoftctlError("expected --map FILE beside --map-server, got none")
        return found
    mapped = parse_map(_read(map_), str(map_), map_server, unit)
    return {
        table: join((*found.get(table, ()), *mapped.get(table, ()))) for table in {*found, *mapped}
    }


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise SoftctlError(f"expected a register map in {path}, got {reason}") from error


def is_confirmed(host: str, confirmed: str | None, write_ranges: list[str]) -> bool:
    """Whether the host may be written to; raises SoftctlError if it has to be and may not.

    Real machines move when they are written to, so a host that is not loopback has to be
    named a second time.
    """
    if confirmed is not None and confirmed != host:
        raise SoftctlError(f"expected --confirm to name the host tested, {host}, got {confirmed}")
    is_free = confirmed == host or is_loopback(host)
    if write_ranges and not is_free:
        raise SoftctlError(
            f"expected a loopback address to write to, got {host}: writing can move a real "
            f"machine and hurt people. If nothing that it drives can, add `--confirm {host}`."
        )
    return is_free


def wanted(
    *,
    unit: int,
    addresses: Ranges,
    write_ranges: list[str],
    is_confirmed: bool,
    secured: Secured | None,
) -> Wanted:
    """What a run may do; raises SoftctlError for a write range that is none."""
    writes, files = parse_write_ranges(write_ranges)
    return Wanted(
        unit=unit,
        addresses=addresses,
        writes=writes,
        files=files,
        allows_unpredictable=is_confirmed,
        can_half_close=secured is None,
        secured=secured,
    )
