"""The role table of a server, from what the machine file says about points."""

from __future__ import annotations

from collections.abc import Set as AbstractSet

from softctl.image import Side
from softctl.machine import Machine, Rights
from softctl.modbus.roles import Bars, RoleTable, Span


def role_table(machine: Machine, side: Side) -> RoleTable | None:
    """Who may read and write what at the server of this side; None without security."""
    security = (machine.field if side is Side.FIELD else machine.hmi).security
    if security is None:
        return None
    return RoleTable(
        {role: _bars(machine, side, rights) for role, rights in security.roles.items()},
        _bars(machine, side, security.no_role),
    )


def _bars(machine: Machine, side: Side, rights: Rights) -> Bars:
    return Bars(_barred(machine, side, rights.read), _barred(machine, side, rights.write))


def _barred(machine: Machine, side: Side, granted: AbstractSet[str]) -> tuple[Span, ...] | None:
    """The addresses of all points but those granted; None when none is."""
    if not granted:
        return None
    return tuple(
        (address.table, address.address, address.count)
        for address in (
            side.address(point)
            for point in machine.points.values()
            if side.has(point) and point.name not in granted
        )
    )
