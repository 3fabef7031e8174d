"""The role table of a server, from what the machine file says about points."""

from __future__ import annotations

from collections.abc import Sequence
from collections.abc import Set as AbstractSet

from softctl.image import Side
from softctl.machine import Machine, Point, Rights
from softctl.modbus.roles import Bars, RoleTable, Span


def role_table(machine: Machine, side: Side, unit: int | None = None) -> RoleTable | None:
    """Who may read and write what at a unit id of the server of this side.

    Without `unit` it is the server's own. None without security.
    """
    security = (machine.field if side is Side.FIELD else machine.hmi).security
    if security is None:
        return None
    points = [p for p in machine.points.values() if side.has(p) and _is_at(machine, side, unit, p)]
    return RoleTable(
        {role: _bars(side, points, rights) for role, rights in security.roles.items()},
        _bars(side, points, security.no_role),
    )


def _is_at(machine: Machine, side: Side, unit: int | None, point: Point) -> bool:
    if side is Side.HMI:
        return True
    return machine.field_unit(point) == (machine.field.unit if unit is None else unit)


def _bars(side: Side, points: Sequence[Point], rights: Rights) -> Bars:
    return Bars(_barred(side, points, rights.read), _barred(side, points, rights.write))


def _barred(
    side: Side, points: Sequence[Point], granted: AbstractSet[str]
) -> tuple[Span, ...] | None:
    """The addresses of all points but those granted; None when none is."""
    if not granted:
        return None
    addresses = [side.address(point) for point in points if point.name not in granted]
    return tuple((one.table, one.address, one.count) for one in addresses)
