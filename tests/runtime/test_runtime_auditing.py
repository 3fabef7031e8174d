"""Audits of I/O cards: what is asked of many devices adds up, and is told device by device."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import replace
from random import Random

import pytest

from softctl.audit import AuditReport
from softctl.control.hmi import HmiMap
from softctl.field import FieldDevice
from softctl.machine import parse_machine
from softctl.modbus.clients import Client, parse_networks
from softctl.modbus.device import Device
from softctl.modbus.faults import Faults, Freeze, Rule, Scope
from softctl.modbus.functions import decode_request
from softctl.modbus.server import Server
from softctl.runtime.auditing import KEPT_OF_MANY, FieldAudit, still_for
from softctl.runtime.clock import MachineClock
from softctl.runtime.fleet_seats import Seat, Spread, seats
from softctl.runtime.fleet_service import FleetService
from softctl.runtime.folder import configs_folder, load_folder
from softctl.values.tables import Table

S = 1_000_000_000
FIRST = Seat("127.0.0.1", 20_000, 1)
ROWS = {
    "ports": seats(20, FIRST, Spread.PORT),
    "addresses": seats(20, replace(FIRST, host="127.0.3.1"), Spread.ADDRESS),
    "units": seats(20, replace(FIRST, unit=5), Spread.UNIT),
}


@pytest.fixture(scope="module")
def device() -> FieldDevice:
    """The first device; the others are of its compiled plant."""
    folder = load_folder(configs_folder() / "sump_station")
    return FieldDevice(folder.machine, folder.build_plant())


class Scada:
    """One client of all devices, over their servers without sockets."""

    def __init__(self, device: FieldDevice, row: Sequence[Seat]) -> None:
        self.now_ns = 0
        self.fleet = FleetService(device, row, MachineClock(0.01))
        self.audit = FieldAudit(device.machine, lambda: self.now_ns)
        self.audit.watch_fleet(self.fleet)
        self._connections = []
        for number, server in enumerate(self.fleet.servers):
            client = Client(f"192.0.2.10:{5000 + number}", "192.0.2.10")
            self._connections.append(server.server.connect(client))
        self._number = 0

    def ask(self, device: int, pdu: bytes, unit: int | None = None) -> None:
        """One request to a device, 10 ms after the one before."""
        self.now_ns += S // 100
        self._number += 1
        seat = self.fleet.members[device].seat
        frame = struct.pack(
            ">HHHB", self._number & 0xFFFF, 0, len(pdu) + 1, seat.unit if unit is None else unit
        )
        is_shared = len(self._connections) == 1
        connection = self._connections[0 if is_shared else device]
        connection.receive(frame + pdu, self.now_ns)

    def report(self) -> AuditReport:
        return self.audit.report()


def read(function: int, address: int, count: int) -> bytes:
    return struct.pack(">BHH", function, address, count)


def poll(scada: Scada, devices: Sequence[int], rounds: int = 6) -> None:
    """Whole blocks of what the cards have, and an output."""
    for _ in range(rounds):
        for device in devices:
            scada.ask(device, read(2, 0, 6))
            scada.ask(device, read(4, 0, 1))
            scada.ask(device, b"\x05\x00\x00\xff\x00")


@pytest.mark.parametrize("row", ROWS.values(), ids=ROWS)
def test_a_good_client_of_many_devices_gets_a_clean_report(
    device: FieldDevice, row: list[Seat]
) -> None:
    """Reads and writes of all devices add up; each point is used on all twenty."""
    scada = Scada(device, row)
    poll(scada, range(20))
    report = scada.report()
    assert report.findings == ()
    assert report.requests == 20 * 6 * 3
    assert (len(report.devices), report.silent) == (20, ())
    uses = {use.point: use for use in report.uses}
    level = next(use for name, use in uses.items() if use.function == "04")
    assert (level.devices, level.reads, level.access) == (20, 120, "read")
    assert level.median_s == pytest.approx(0.6)
    assert (uses["P_201"].devices, uses["P_201"].writes) == (20, 120)
    assert uses["P_201"].verdict == "written"
    assert report.coverage == report.covered / report.total
    assert report.covered % 20 == 0
    assert "P_202" in report.unused


@pytest.mark.parametrize("row", ROWS.values(), ids=ROWS)
def test_a_finding_names_its_devices(device: FieldDevice, row: list[Seat]) -> None:
    """One mistake on three devices is one finding; who was not asked is listed."""
    scada = Scada(device, row)
    poll(scada, range(15))
    for number in (2, 7, 11):
        scada.ask(number, read(4, 300, 2))
    report = scada.report()
    (finding,) = report.findings
    names = [str(row[number]) for number in (2, 7, 11)]
    assert (finding.kind, finding.count) == ("outside the map", 3)
    assert finding.devices == tuple(names)
    frame = bytes.fromhex(finding.frame)
    assert (frame[6], frame[7:]) == (row[2].unit, read(4, 300, 2))
    assert report.silent == tuple(str(seat) for seat in row[15:])
    assert report.covered < report.total


def test_a_unit_that_nobody_has_is_the_servers_finding(device: FieldDevice) -> None:
    """Of devices at unit ids, none is blamed for what was sent to another id."""
    scada = Scada(device, ROWS["units"])
    poll(scada, range(20))
    scada.ask(0, read(4, 0, 1), unit=77)
    (finding,) = scada.report().findings
    assert (finding.kind, finding.subject) == ("unknown unit", "unit 77")
    assert finding.devices == ("127.0.0.1:20000",)


def test_a_habit_of_a_shared_connection_is_told_once(device: FieldDevice) -> None:
    """A constant transaction id on one connection to twenty units is one finding."""
    scada = Scada(device, ROWS["units"])
    for number in range(20):
        scada._number = 6
        scada.ask(number, read(2, 0, 6))
    (finding,) = scada.report().findings
    assert (finding.kind, finding.count) == ("constant transaction id", 19)
    assert finding.devices == ("127.0.0.1:20000",)


def test_many_devices_keep_little(device: FieldDevice) -> None:
    """However long a client polls, a few kilobytes are kept of each read."""
    scada = Scada(device, ROWS["ports"])
    poll(scada, [3], rounds=2 * KEPT_OF_MANY)
    logs = [log for auditor in scada.audit._auditors for log in auditor.logs.values()]
    assert {len(stream.times) - 1 for log in logs for stream in log.reads.values()} == {
        KEPT_OF_MANY
    }
    assert sum(log.requests for log in logs) == 6 * KEPT_OF_MANY


UNITS = """
name: racks
programs: [main.st]
field: {port: 0, unit: 1}
cards:
  DI_1: {kind: digital input, channels: 4}
  DI_2: {kind: digital input, channels: 4, unit: 2}
points:
  NEAR: {card: DI_1}
  FAR: {card: DI_2}
"""


def test_the_unit_ids_of_one_field_are_its_devices() -> None:
    """A rack that answers at a unit id of its own is audited on its own."""
    machine = parse_machine(UNITS, "machine.yaml")
    audit = FieldAudit(machine, lambda: 0)
    auditor = audit._auditor(10)
    client = Client("192.0.2.10:5000", "192.0.2.10")
    frame = struct.pack(">HHHB", 1, 0, 6, 2) + read(2, 0, 4)
    request = decode_request(frame[7:])
    client.last_used_ns = S
    auditor.on_request(client, frame, request, frame[:4] + b"\0\4\2\2\1\0")
    report = audit.report()
    assert report.devices == ("unit 1", "unit 2")
    assert report.silent == ("unit 1",)
    assert report.used == ["FAR"]


HELD: list[tuple[str, Callable[[], Scope], int]] = [
    ("all", Scope, 8 * S),
    ("HEARTBEAT", lambda: Scope(table=Table.INPUT_REGISTERS, first=0, last=0), 8 * S),
    ("something else", lambda: Scope(table=Table.INPUT_REGISTERS, first=5, last=9), 0),
    ("another client's", lambda: Scope(clients=parse_networks(["192.0.2.99"])), 0),
]


@pytest.mark.parametrize(("name", "scope", "expected"), HELD, ids=[one[0] for one in HELD])
def test_a_heartbeat_held_on_purpose_is_known_to_the_audit(
    device: FieldDevice, name: str, scope: Callable[[], Scope], expected: int
) -> None:
    """From the first request that a `Freeze` of its place strikes, until the rule is gone."""
    machine = device.machine
    faults = Faults(Random(1))
    server = Server([Device(HmiMap(machine).bank, 1)], faults=faults)
    client = Client("192.0.2.10:5000", "192.0.2.10")
    connection, find = server.connect(client), still_for(faults, machine)
    assert find(client, S) == 0
    rule = Rule(Freeze(), scope())
    faults.add(rule)
    connection.receive(struct.pack(">HHHB", 1, 0, 6, 1) + read(4, 0, 1), 2 * S)
    assert find(client, 10 * S) == expected
    faults.remove(rule)
    assert find(client, 10 * S) == 0
