"""Many devices in one process: each is on its own, and lateness is counted."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest

from softctl.errors import SoftctlError
from softctl.field import FieldDevice
from softctl.plant import build_plant
from softctl.runtime.clock import MachineClock
from softctl.runtime.field_client import FieldClient
from softctl.runtime.fleet_seats import Seat, Spread, require_files, seats
from softctl.runtime.fleet_service import FleetService
from softctl.runtime.folder import MachineFolder, configs_folder, load_folder
from softctl.values.tables import Table

pytestmark = pytest.mark.network

ANY = Seat("127.0.0.1", 0, 1)
STEPS_NS = 4_000_000_000
LEVEL = (Table.INPUT_REGISTERS, 0, 1)
RUNNING = (Table.DISCRETE_INPUTS, 2, 1)


@pytest.fixture(scope="module")
def folder() -> MachineFolder:
    return load_folder(configs_folder() / "sump_station")


def _fleet(folder: MachineFolder, row: list[Seat], speed: float = 0.01) -> FleetService:
    """So slow that only the test steps it, unless another speed is given."""
    return FleetService(FieldDevice(folder.machine, folder.build_plant()), row, MachineClock(speed))


@asynccontextmanager
async def _served(fleet: FleetService) -> AsyncIterator[list[FieldClient]]:
    """The fleet with a connected client for each device."""
    await fleet.start()
    clients = [FieldClient(*_where(m.seat), timeout_s=5.0) for m in fleet.members]
    try:
        await asyncio.gather(*(client.connect() for client in clients))
        yield clients
    finally:
        await asyncio.gather(*(client.close() for client in clients))
        await fleet.close()


def _where(seat: Seat) -> tuple[str, int, int]:
    return seat.host, seat.port, seat.unit


def _advance(fleet: FleetService, until_s: int) -> None:
    start_ns = fleet.members[0].device.plant.now_ns
    for now_ns in range(start_ns + STEPS_NS, until_s * 10**9 + 1, STEPS_NS):
        for member in fleet.members:
            fleet.take_turn(member, now_ns)


@pytest.mark.parametrize(
    "row",
    [
        seats(20, ANY, Spread.PORT),
        seats(20, replace(ANY, host="127.0.3.1"), Spread.ADDRESS),
        seats(20, replace(ANY, unit=5), Spread.UNIT),
    ],
    ids=["ports", "addresses", "units"],
)
async def test_each_device_is_the_machine_of_its_seed(
    folder: MachineFolder, row: list[Seat]
) -> None:
    """Twenty clients read what twenty machines with these seeds show alone."""
    fleet = _fleet(folder, row)
    async with _served(fleet) as clients:
        _advance(fleet, 120)
        levels = await asyncio.gather(*(client.read(*LEVEL) for client in clients))
        assert (fleet.clients, fleet.requests) == (20, 20)
    assert len({str(member.seat) for member in fleet.members}) == 20
    assert len(set(levels)) > 10
    for index in (0, 7, 19):
        machine = replace(folder.machine, seed=folder.machine.seed + index)
        alone = FieldDevice(machine, build_plant(machine, folder.blocks))
        alone.advance(120 * 10**9)
        assert levels[index] == bytes(alone.bank.registers(Table.INPUT_REGISTERS)[:2])


async def test_what_is_written_to_one_device_moves_no_other(folder: MachineFolder) -> None:
    """One pump runs, and one device of the twenty counts as driven."""
    fleet = _fleet(folder, seats(20, ANY, Spread.UNIT))
    async with _served(fleet) as clients:
        await clients[3].write(Table.COILS, 0, b"\x01")
        _advance(fleet, 8)
        running = await asyncio.gather(*(client.read(*RUNNING) for client in clients))
        assert fleet.driven == 1
    assert [index for index, bit in enumerate(running) if bit != b"\x00"] == [3]


async def test_requests_of_clients_that_left_stay_counted(folder: MachineFolder) -> None:
    """The sum does not fall when a client goes."""
    fleet = _fleet(folder, seats(2, ANY, Spread.PORT))
    async with _served(fleet) as clients:
        for _ in range(5):
            await clients[0].read(*LEVEL)
    assert (fleet.clients, fleet.requests) == (0, 5)


async def test_the_plants_follow_the_clock(folder: MachineFolder) -> None:
    """Two hundred devices answer a client each while their plants go on together."""
    fleet = _fleet(folder, seats(200, ANY, Spread.PORT), speed=1.0)
    async with _served(fleet) as clients:
        for _ in range(5):
            found = await asyncio.gather(*(client.read(*LEVEL) for client in clients))
            assert all(len(data) == 2 for data in found)
        while min(member.device.plant.now_ns for member in fleet.members) < 200_000_000:
            await asyncio.sleep(0.01)
        assert fleet.clients == 200
        assert fleet.requests == 1000
        clock_ns = fleet.clock.now_ns()
    for member in fleet.members:
        assert member.device.plant.now_ns + member.lost_ns <= clock_ns


def test_steps_after_their_turn_are_counted_and_time_is_given_up(folder: MachineFolder) -> None:
    """2 s late at once: what is over the round and the limit is late; 20 s lose the rest."""
    fleet = _fleet(folder, seats(2, ANY, Spread.PORT), speed=1.0)
    member, step_ns = fleet.members[0], folder.machine.plant_step_ns
    fleet.take_turn(member, fleet.round_ns)
    assert fleet.late_steps == 0
    fleet.take_turn(member, fleet.round_ns + 2 * 10**9)
    assert fleet.late_steps == (2 * 10**9 - 100_000_000 - fleet.round_ns) // step_ns
    assert member.lost_ns == 0
    fleet.take_turn(member, 22 * 10**9)
    assert member.lost_ns == 22 * 10**9 - member.device.plant.now_ns > 0
    assert fleet.lost_ns == member.lost_ns
    assert fleet.members[1].device.plant.now_ns == 0


async def test_a_port_in_use_ends_all_of_them(folder: MachineFolder) -> None:
    """The error names the port, and nothing is left listening."""
    with socket.socket() as taken, socket.socket() as free:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        free.bind(("127.0.0.1", 0))
        port, other = taken.getsockname()[1], free.getsockname()[1]
        free.close()
        fleet = _fleet(folder, [Seat("127.0.0.1", other, 1), Seat("127.0.0.1", port, 1)])
        with pytest.raises(SoftctlError, match=f"free address.*127.0.0.1:{port}"):
            await fleet.start()
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection("127.0.0.1", other)


@pytest.mark.parametrize(
    ("count", "first", "spread", "message"),
    [
        (0, ANY, Spread.PORT, "a count of 1 to 5000 devices, got 0"),
        (5001, ANY, Spread.PORT, "a count of 1 to 5000 devices, got 5001"),
        (3, replace(ANY, port=65_534), Spread.PORT, "got 65534 to 65536 for 3 devices"),
        (248, ANY, Spread.UNIT, "between 1 and 247, got 1 to 248"),
        (2, replace(ANY, unit=0), Spread.UNIT, "between 1 and 247, got 0 to 1"),
        (2, replace(ANY, host="here"), Spread.ADDRESS, "such as 127.0.1.1, got here"),
        (2, replace(ANY, host="192.0.2.1"), Spread.ADDRESS, "got 192.0.2.1 to 192.0.2.2"),
        (2, replace(ANY, host="127.255.255.255"), Spread.ADDRESS, "got 127.255.255.255 to 128"),
    ],
)
def test_a_row_that_cannot_be_is_refused(
    count: int, first: Seat, spread: Spread, message: str
) -> None:
    """Expected and got are named."""
    with pytest.raises(SoftctlError, match=message):
        seats(count, first, spread)


def test_a_row_goes_on_from_its_first() -> None:
    """Ports, addresses and unit ids in a row; a host's last byte carries over."""
    assert seats(3, replace(ANY, port=7), Spread.PORT)[2] == replace(ANY, port=9)
    assert seats(3, ANY, Spread.UNIT)[2] == replace(ANY, unit=3)
    hosts = [seat.host for seat in seats(3, replace(ANY, host="127.0.0.254"), Spread.ADDRESS)]
    assert hosts == ["127.0.0.254", "127.0.0.255", "127.0.1.0"]


def test_more_sockets_than_the_system_gives_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before anything listens, with the limit and where it is set."""
    resource = pytest.importorskip("resource")
    monkeypatch.setattr(resource, "getrlimit", lambda _: (100, 500))
    with pytest.raises(SoftctlError, match=r"at least 664 open files for 300 servers.*got 500"):
        require_files(300)
