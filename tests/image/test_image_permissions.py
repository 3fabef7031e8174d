"""From rights over points to rights over addresses, checked on the demo's map."""

from __future__ import annotations

from dataclasses import replace

import pytest

from softctl.image import Side
from softctl.image.permissions import role_table
from softctl.machine import KeyFiles, Machine, Rights, Role, Scalar, Security
from softctl.modbus import Client
from softctl.runtime.folder import demo_folder, read_machine
from softctl.values.tables import Table


@pytest.fixture(scope="module")
def machine() -> Machine:
    return read_machine(demo_folder())


def secured(machine: Machine, **roles: Rights) -> Machine:
    """The machine with these roles at both servers; `null` is the NULL role's."""
    place = machine.points["START"].place
    null = roles.pop("null", Rights())
    file = Scalar("x", place)
    security = Security(KeyFiles(file, file), file, roles, null, place)
    return replace(
        machine,
        hmi=replace(machine.hmi, security=security),
        field=replace(machine.field, security=security),
    )


def may(machine: Machine, role: str, name: str, side: Side, is_write: bool) -> bool:
    table = role_table(machine, side)
    assert table is not None
    address = side.address(machine.points[name])
    client = Client("test", role=role)
    return table.permits(client, address.table, address.address, address.count, is_write)


def test_a_plain_server_has_no_table(machine: Machine) -> None:
    """Without security there is nobody to ask."""
    assert role_table(machine, Side.HMI) is None
    assert role_table(machine, Side.FIELD) is None


@pytest.mark.parametrize("side", Side)
def test_each_point_alone_is_granted_and_no_other(machine: Machine, side: Side) -> None:
    """For every point: a role that has it alone may read its addresses and no others."""
    names = [name for name, point in machine.points.items() if side.has(point)]
    for name in names:
        own = secured(machine, one=Rights(read=frozenset({name})))
        readable = {other for other in names if may(own, "one", other, side, False)}
        assert readable == {name}
        assert not may(own, "one", name, side, True)


def test_the_null_role_has_its_own_rights(machine: Machine) -> None:
    """A client without a role gets what the file grants to it, and no more."""
    own = secured(machine, null=Rights(read=frozenset({"HEARTBEAT"})))
    assert may(own, "", "HEARTBEAT", Side.HMI, False)
    assert not may(own, "", "START", Side.HMI, False)
    assert not may(own, "stranger", "HEARTBEAT", Side.HMI, False)


def test_a_controller_writes_whole_cards(machine: Machine) -> None:
    """Spare channels hold nothing, so they bar no block write of a card."""
    outputs = [point for point in machine.points.values() if point.role is Role.OUTPUT]
    rights = Rights(write=frozenset(point.name for point in outputs))
    table = role_table(secured(machine, control=rights), Side.FIELD)
    assert table is not None
    client = Client("test", role="control")
    card = machine.cards["DO_1"]
    assert len(outputs) < card.channels
    assert table.permits(client, Table.COILS, card.first, card.channels, True)


def test_a_block_over_one_foreign_point_is_refused(machine: Machine) -> None:
    """All of the HMI map but one point: the block that meets that point is refused."""
    names = frozenset(name for name, point in machine.points.items() if point.hmi is not None)
    own = secured(machine, most=Rights(read=names - {"RUNNING"}))
    table = role_table(own, Side.HMI)
    address = Side.HMI.address(machine.points["RUNNING"])
    assert table is not None
    client = Client("test", role="most")
    assert table.permits(client, address.table, 0, address.address, False)
    assert not table.permits(client, address.table, 0, address.address + 1, False)
