"""Wire faults from a file over real sockets, met by a raw client and by pyModbusTCP."""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import AsyncIterator
from pathlib import Path
from random import Random

import pytest
from pyModbusTCP.client import ModbusClient

from softctl.cli.output import TextOutput
from softctl.cli.screen import draw
from softctl.cli.status import Status
from softctl.errors import ProblemsError, SoftctlError
from softctl.image import Side, extents
from softctl.machine import Machine
from softctl.modbus import Bank, Device, Server
from softctl.modbus.faults import Delay, Faults, Rule
from softctl.modbus.frames import encode_frame
from softctl.runtime.folder import demo_folder, read_machine
from softctl.runtime.hosts import require_simulated
from softctl.runtime.modbus_server import ModbusServer
from softctl.runtime.wire_faults import WireFaultFile
from softctl.values.tables import Table

pytestmark = pytest.mark.network

READ = encode_frame(7, 1, bytes.fromhex("04 0000 0004"))
REPLY = encode_frame(7, 1, bytes.fromhex("04 08 1111 2222 3333 4444"))
SOON_S = 0.1
LATE_S = 10.0


@pytest.fixture(scope="module")
def machine() -> Machine:
    return read_machine(demo_folder())


class Bench:
    """A served HMI map whose faults come from a file."""

    def __init__(self, machine: Machine, path: Path) -> None:
        self.machine = machine
        self.path = path
        self.bank = Bank(extents(machine, Side.HMI))
        self.bank.registers(Table.INPUT_REGISTERS)[:8] = REPLY[9:]
        self.faults = Faults(Random(1), time.monotonic_ns())
        self.server = ModbusServer(Server([Device(self.bank)], faults=self.faults))
        self.told: list[str] = []
        self.at = ("", 0)
        self.file: WireFaultFile

    def declare(self, text: str) -> None:
        """Put the faults of a new file in force."""
        self.path.write_text(f"hmi:\n  it: {{{text}}}\n")
        self.file = WireFaultFile(self.path, self.machine)
        self.file.attach({"hmi": self.faults}, self.tell)

    def look(self) -> None:
        """As often as it takes to see a change."""
        self.file.look()
        self.file.look()

    def tell(self, event: str, **fields: object) -> None:
        self.told.append(" ".join([event, *map(str, fields.values())]))

    async def talk(self, *requests: bytes, size: int = len(REPLY)) -> bytes:
        """What comes in reply, and `END` or `RESET`: `size` bytes, and what follows at once."""
        reader, writer = await asyncio.open_connection(*self.at)
        found = b""
        try:
            for request in requests:
                writer.write(request)
            while piece := await asyncio.wait_for(
                reader.read(300), SOON_S if len(found) >= size else LATE_S
            ):
                found += piece
            found += b"END"
        except TimeoutError:
            pass
        except ConnectionError:
            found += b"RESET"
        writer.close()
        return found


@pytest.fixture
async def bench(machine: Machine, tmp_path: Path) -> AsyncIterator[Bench]:
    made = Bench(machine, tmp_path / "wire.yaml")
    made.at = await made.server.start()
    yield made
    await made.server.close()


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("effect: silence", b""),
        ("effect: exception, code: 6", encode_frame(7, 1, b"\x84\x06")),
        ("effect: swap words, addresses: [0, 1]", REPLY[:9] + bytes.fromhex("2222111133334444")),
        ("effect: wrong transaction", b"\0\x08" + REPLY[2:]),
        ("effect: wrong unit, by: 4", REPLY[:6] + b"\x05" + REPLY[7:]),
        ("effect: wrong length, by: -1", REPLY[:4] + b"\0\x0a" + REPLY[6:]),
        ("effect: truncate, keep: 9", REPLY[:9]),
        ("effect: split, size: 5, gap: 5 ms", REPLY),
        ("effect: slow, rate: 1000 B/s", REPLY),
        ("effect: delay, by: 20 ms, random: 20 ms", REPLY),
        ("effect: cut, keep: 4", REPLY[:4] + b"END"),
        ("effect: cut", b"END"),
        ("effect: reset", b"RESET"),
        ("effect: silence, function: 3", REPLY),
        ("effect: silence, client: 192.0.2.0/24", REPLY),
        ("effect: silence, client: 127.0.0.0/8", b""),
        ("effect: silence, point: STIR_TIME", REPLY),
        ("effect: silence, point: HEARTBEAT", b""),
        ("effect: silence, after: 1 h", REPLY),
        ("effect: silence, until: 1 h", b""),
        ("effect: silence, unit: [2, 3]", REPLY),
        ("effect: silence, active: false", REPLY),
    ],
)
async def test_a_declared_fault_is_on_the_wire(bench: Bench, fault: str, expected: bytes) -> None:
    """The bytes that a client gets are those that the fault says, with its limits."""
    bench.declare(fault)
    assert await bench.talk(READ, size=len(expected)) == expected


@pytest.mark.parametrize(
    ("fault", "failure"),
    [
        ("effect: silence", "timeout"),
        ("effect: delay, by: 600 s", "timeout"),
        ("effect: slow, rate: 1 B/s", "timeout"),
        ("effect: truncate, keep: 10", "timeout"),
        ("effect: exception, code: 5", "modbus exception"),
        ("effect: wrong transaction", "mbap"),
        ("effect: wrong unit", "mbap"),
        ("effect: wrong length, by: 40", "timeout"),
        ("effect: cut, keep: 3", "closed"),
        ("effect: reset", "closed"),
    ],
)
async def test_another_makers_client_notices(bench: Bench, fault: str, failure: str) -> None:
    """pyModbusTCP reads a good server, and none that is at fault."""
    client = ModbusClient(*bench.at, timeout=0.4)

    def read() -> list[int] | None:
        return client.read_input_registers(0, 4)

    assert await asyncio.to_thread(read) == [0x1111, 0x2222, 0x3333, 0x4444]
    bench.declare(fault)
    assert await asyncio.to_thread(read) is None
    seen = f"{client.last_error_as_txt} {client.last_except_as_txt}".lower()
    words = {
        "timeout": ("timeout",),
        "closed": ("close", "recv"),
        "mbap": ("mbap", "frame", "recv"),
    }
    assert any(word in seen for word in words.get(failure, (failure,))), seen
    client.close()
    bench.file.attach({}, bench.tell)
    bench.faults.replace([])
    assert await asyncio.to_thread(read) == [0x1111, 0x2222, 0x3333, 0x4444]
    client.close()


async def test_a_late_answer_does_not_hold_up_other_clients(bench: Bench) -> None:
    """While one reply waits, another client is answered; the late one comes whole."""
    bench.declare("effect: delay, by: 1 s, function: 4")
    reader, writer = await asyncio.open_connection(*bench.at)
    writer.write(READ)
    await asyncio.sleep(0.05)
    other = encode_frame(9, 1, bytes.fromhex("03 0000 0001"))
    assert (await bench.talk(other, size=11))[:2] == b"\0\x09"
    waiting = asyncio.ensure_future(reader.readexactly(len(REPLY)))
    await asyncio.sleep(0)
    assert not waiting.done()
    assert await waiting == REPLY
    writer.close()


async def test_a_stopped_heartbeat_stands_still_while_the_rest_moves(bench: Bench) -> None:
    """Only the heartbeat is frozen; `stale` freezes the whole bank."""
    words = bench.bank.registers(Table.INPUT_REGISTERS)
    bench.declare("effect: stop heartbeat")
    assert await bench.talk(READ) == REPLY
    words[0:4] = bytes.fromhex("AAAA BBBB")
    assert (await bench.talk(READ))[9:] == bytes.fromhex("1111 BBBB 3333 4444")
    bench.declare("effect: stale")
    before = await bench.talk(READ)
    words[0:8] = bytes(8)
    assert await bench.talk(READ) == before != bytes(8)


async def test_new_connections_are_refused_and_old_ones_live_on(bench: Bench) -> None:
    """A client that is connected stays so; nobody else gets in, until the fault ends."""
    reader, writer = await asyncio.open_connection(*bench.at)
    writer.write(READ)
    assert await reader.readexactly(len(REPLY)) == REPLY
    bench.declare("effect: refuse connections")
    assert await bench.talk(READ) in (b"END", b"RESET")
    writer.write(READ)
    assert await reader.readexactly(len(REPLY)) == REPLY
    bench.faults.replace([])
    assert await bench.talk(READ) == REPLY
    writer.close()


async def test_a_share_strikes_some_requests(bench: Bench) -> None:
    """Half of a hundred requests get the exception, the others the values."""
    bench.declare("effect: exception, code: 6, share: 50 %")
    replies = await bench.talk(*[READ] * 100, size=100 * 9)
    struck = replies.count(encode_frame(7, 1, b"\x84\x06"))
    assert 25 < struck < 75
    assert replies.count(REPLY) == 100 - struck
    assert bench.faults.count(bench.faults.rules[0]) == struck


def _save(path: Path, text: str) -> None:
    """Write a file so that its time differs from before, however coarse the clock is."""
    path.write_text(text)
    later = path.stat().st_mtime_ns + 10_000_000
    os.utime(path, ns=(later, later))


async def test_editing_the_file_switches_faults(bench: Bench) -> None:
    """A saved change is in force at the next look, a mistake changes nothing and is told."""
    bench.declare("effect: silence")
    bench.look()
    assert bench.told == ["wire fault begins hmi it silence"]
    assert await bench.talk(READ, size=0) == b""
    bench.file.look()
    bench.told.clear()
    _save(bench.path, "hmi:\n  busy: {effect: exception, code: 6}\n")
    bench.look()
    assert bench.told == ["wire fault ends hmi it 1", "wire fault begins hmi busy exception"]
    assert await bench.talk(READ, size=9) == encode_frame(7, 1, b"\x84\x06")
    bench.told.clear()
    _save(bench.path, "hmi:\n  busy: {effect: excepton, code: 6}\n  late: {effect: delay}\n")
    bench.look()
    assert len(bench.told) == 2
    assert all(one.startswith("wire faults stay as they were") for one in bench.told)
    assert "wire.yaml:2:18" in bench.told[0]
    assert "did you mean exception?" in bench.told[0]
    assert await bench.talk(READ, size=9) == encode_frame(7, 1, b"\x84\x06")
    bench.told.clear()
    _save(bench.path, "")
    bench.file.look()
    _save(bench.path, "hmi:\n  busy: {effect: exception, code: 6}\n")
    bench.look()
    assert bench.told == [], "half written files are not read"
    bench.path.unlink()
    bench.look()
    assert "expected a file of wire faults, got no such file" in bench.told[0]
    _save(bench.path, "hmi:\n")
    bench.look()
    assert bench.told[-1] == "wire fault ends hmi busy 2"
    assert await bench.talk(READ) == REPLY


async def test_the_file_is_watched(bench: Bench) -> None:
    """Nobody has to ask for the look."""
    bench.declare("effect: silence")
    watching = asyncio.create_task(bench.file.watch())
    await asyncio.sleep(0)
    _save(bench.path, "hmi:\n")
    async with asyncio.timeout(10):
        while bench.faults.rules:
            await asyncio.sleep(0.01)
    watching.cancel()
    assert await bench.talk(READ) == REPLY


async def test_a_program_can_add_and_remove_faults(bench: Bench) -> None:
    """The interface of Python, beside a file that is watched, and told like its faults."""
    bench.declare("effect: silence, active: false")
    rule = Rule(Delay(1_000_000), name="by_hand")
    bench.faults.add(rule)
    bench.file.look()
    assert await bench.talk(READ) == REPLY
    assert bench.faults.count(rule) == 1
    bench.file.look()
    bench.faults.remove(rule)
    bench.file.look()
    assert bench.told == ["wire fault begins hmi by_hand delay", "wire fault ends hmi by_hand 1"]


async def test_faults_of_a_server_elsewhere_are_told(bench: Bench) -> None:
    """A file may be about both servers; who runs only one of them says what is left out."""
    bench.path.write_text("field:\n  lost: {effect: silence}\n")
    WireFaultFile(bench.path, bench.machine).attach({"hmi": bench.faults}, bench.tell)
    assert bench.told == ["wire faults of another process field lost"]
    assert bench.faults.rules == []


async def test_the_status_screen_names_and_counts_what_is_active(bench: Bench) -> None:
    """Faults whose time is not now are not shown."""
    from rich.console import Console

    bench.declare("effect: exception, code: 6")
    await bench.talk(READ, READ, size=18)
    status = Status(bench.machine, None, None, servers={"hmi": bench.server})
    console = Console(record=True, width=120, file=open(os.devnull, "w"))  # noqa: SIM115
    console.print(draw(status, ()))
    assert "! wire faults: hmi it (exception) 2" in console.export_text()
    reader, writer = await asyncio.open_connection(*bench.at)
    writer.write(READ + READ + encode_frame(1, 1, b"\x03", protocol=9))
    await reader.readexactly(18)
    name = "{}:{}".format(*writer.get_extra_info("sockname"))
    (client,) = status.hmi_clients()
    assert client == (
        f"{name}   requests 2   exception 06 2 times   no reply 1 times   wire faults 2"
    )
    writer.close()
    console.file.close()
    bench.declare("effect: silence, after: 1 h")
    assert status.wire_faults() == []
    assert TextOutput(status).status.wire_faults() == []


def test_a_file_that_is_not_there_at_the_start_is_an_error(
    machine: Machine, tmp_path: Path
) -> None:
    """A misspelt name is not a run without faults."""
    with pytest.raises(ProblemsError, match="expected a file of wire faults, got no such file"):
        WireFaultFile(tmp_path / "none.yaml", machine)


def test_a_field_that_could_be_real_is_refused() -> None:
    """A command lost on purpose must not keep anybody from stopping a machine."""
    require_simulated("127.0.0.1")
    with pytest.raises(SoftctlError, match="expected a field at a loopback address"):
        require_simulated("192.0.2.1")
