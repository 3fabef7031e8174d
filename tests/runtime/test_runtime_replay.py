"""Sessions recorded at a real server and played against ours, pymodbus's and wrong ones."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from softctl.errors import SoftctlError
from softctl.modbus import Bank, Device, Server
from softctl.modbus.frames import encode_frame
from softctl.recording import Closed, Exchange, Opened, Session, parse_session
from softctl.runtime.modbus_server import ModbusServer
from softctl.runtime.recorder import Recorder
from softctl.runtime.replay import Played, Target, replay
from softctl.values.tables import Table

pytestmark = pytest.mark.network

COUNT = 40
READ = encode_frame(1, 1, b"\x03\x00\x04\x00\x02")
READ_COILS = encode_frame(2, 1, b"\x01\x00\x00\x00\x0a")
WRITE = encode_frame(3, 1, b"\x06\x00\x05\x12\x34")
BEYOND = encode_frame(4, 1, b"\x03\x03\xe8\x00\x02")
FAST = 1000.0


def _server(unit: int = 1) -> ModbusServer:
    """Every table has COUNT addresses, holding 0."""
    return ModbusServer(Server([Device(Bank({table: [(0, COUNT)] for table in Table}), unit)]))


@asynccontextmanager
async def _pymodbus() -> AsyncIterator[int]:
    """The stock server with the same content."""
    bits = [SimData(0, count=COUNT, values=False, datatype=DataType.BITS)]
    words = [SimData(0, count=COUNT, values=0, datatype=DataType.REGISTERS)]
    device = SimDevice(1, simdata=(bits, bits, words, words))
    server = ModbusTcpServer(device, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    try:
        yield server.transport.sockets[0].getsockname()[1]
    finally:
        await server.shutdown()


async def _ask(port: int, *requests: bytes) -> list[bytes]:
    """A client of no library: each request in its own time, then the end."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    replies = []
    for request in requests:
        writer.write(request)
        head = await reader.readexactly(6)
        replies.append(head + await reader.readexactly(int.from_bytes(head[4:], "big")))
    writer.close()
    await writer.wait_closed()
    return replies


async def _recorded(path: Path) -> tuple[Session, list[list[bytes]]]:
    """Two clients that read, write and are refused; with what they really got."""
    shell, recorder = _server(), Recorder(path, "mill", "hmi")
    shell.observe(recorder)
    _, port = await shell.start()
    first = await _ask(port, READ, WRITE, READ, READ_COILS)
    second = await _ask(port, READ, BEYOND)
    await shell.close()
    recorder.close()
    assert (recorder.requests, recorder.clients) == (6, 2)
    return parse_session(path.read_text(encoding="utf-8"), "s.jsonl"), [first, second]


async def _played(session: Session, port: int, **options: float) -> Played:
    return await replay(session, Target("127.0.0.1", port, FAST, 5.0, **options))


async def test_a_recording_has_what_went_over_the_wire(tmp_path: Path) -> None:
    """Requests and replies of both clients, with their beginnings and ends, in order."""
    session, replies = await _recorded(tmp_path / "s.jsonl")
    for number, sent in ((1, [READ, WRITE, READ, READ_COILS]), (2, [READ, BEYOND])):
        own = [event for event in session.events if event.client == number]
        assert isinstance(own[0], Opened)
        assert own[0].name.startswith("127.0.0.1:")
        assert isinstance(own[-1], Closed)
        exchanges = [event for event in own if isinstance(event, Exchange)]
        assert [one.request for one in exchanges] == sent
        assert [one.reply for one in exchanges] == replies[number - 1]
    assert session.events[0].at_ns == 0
    times = [event.at_ns for event in session.events]
    assert times == sorted(times)


async def test_our_server_answers_as_it_did(tmp_path: Path) -> None:
    """A fresh one with the same content: six requests, two connections, nothing differs."""
    session, _ = await _recorded(tmp_path / "s.jsonl")
    shell = _server()
    _, port = await shell.start()
    played = await _played(session, port)
    await shell.close()
    assert (played.requests, played.clients, played.differences) == (6, 2, [])


async def test_pymodbus_answers_the_same(tmp_path: Path) -> None:
    """Reads, a write and a refused address are the same at a server of other make."""
    session, _ = await _recorded(tmp_path / "s.jsonl")
    async with _pymodbus() as port:
        played = await _played(session, port)
    assert (played.requests, played.differences) == (6, [])


async def test_a_changed_value_is_found(tmp_path: Path) -> None:
    """Both replies and the register are told; the shape alone is the same."""
    session, _ = await _recorded(tmp_path / "s.jsonl")
    shell = _server()
    bank = shell.server.bank(1)
    assert bank is not None
    bank.registers(Table.HOLDING_REGISTERS)[8:10] = b"\x00\x07"
    _, port = await shell.start()
    played = await _played(session, port)
    shaped = await _played(session, port, shape=True)
    await shell.close()
    assert len(played.differences) == 3
    first = played.differences[0]
    assert first.what.startswith("holding registers 4: 7 instead of 0")
    assert first.exchange is not None
    assert (first.client, first.exchange.request) == (1, READ)
    assert first.reply == encode_frame(1, 1, b"\x03\x04\x00\x07\x00\x00")
    assert shaped.differences == []


async def test_an_exception_is_found_whatever_is_compared(tmp_path: Path) -> None:
    """A server without that unit id answers 0B to all, at pymodbus's or ours."""
    session, _ = await _recorded(tmp_path / "s.jsonl")
    shell = ModbusServer(
        Server([Device(Bank({table: [(0, COUNT)] for table in Table}), unit) for unit in (2, 3)])
    )
    _, port = await shell.start()
    played = await _played(session, port, shape=True)
    await shell.close()
    assert len(played.differences) == 6
    assert all("exception 0B" in one.what for one in played.differences)


Answer = Callable[[bytes], bytes | None]


@asynccontextmanager
async def _scripted(answer: Answer, after: bytes = b"") -> AsyncIterator[tuple[int, list[bytes]]]:
    """A server that answers each receive as it is told; None ends the connection."""
    received: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(4096):
            received.append(data)
            reply = answer(data)
            if reply is None:
                break
            writer.write(reply)
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1], received
    finally:
        server.close()
        await server.wait_closed()


def _session(*exchanges: Exchange) -> Session:
    return Session("mill", "hmi", "", exchanges)


GOOD = encode_frame(1, 1, b"\x03\x04\x00\x00\x00\x00")
ONE = _session(Exchange(0, 1, READ, GOOD))


@pytest.mark.parametrize(
    ("reply", "what"),
    [
        (encode_frame(1, 1, b"\x03\x02\x00\x00"), "4 bytes instead of 6 behind the header"),
        (encode_frame(9, 1, GOOD[7:]), "transaction id 0009 instead of 0001"),
        (encode_frame(1, 7, GOOD[7:]), "unit 7 instead of 1"),
        (b"", "no reply"),
        (GOOD[:9], "no reply"),
        (None, "no reply, connection closed"),
        (b"\x00\x01\x00\x00\xff\xff\x01\x03", "no reply, connection closed"),
    ],
)
@pytest.mark.parametrize("shape", [False, True])
async def test_a_wrong_reply_is_found(reply: bytes | None, what: str, shape: bool) -> None:
    """Short, of another transaction or unit, none, a part of one, closed, and garbage."""
    async with _scripted(lambda _: reply) as (port, _):
        played = await replay(ONE, Target("127.0.0.1", port, FAST, 0.2, shape))
    assert [one.what for one in played.differences] == [what]


async def test_a_reply_that_nobody_asked_for_is_found() -> None:
    """The second of two replies to one request belongs to nobody."""
    later = Exchange(1, 1, READ, GOOD)
    async with _scripted(lambda _: GOOD + GOOD) as (port, _):
        played = await _played(_session(ONE.exchanges[0], later), port)
    told = [one.what for one in played.differences]
    assert "a reply that nobody waits for" in told
    assert all(one.exchange is None for one in played.differences)


async def test_silence_that_was_recorded_is_expected() -> None:
    """No reply is right where there was none, and a reply is not."""
    silent = _session(Exchange(0, 1, READ, None))
    async with _scripted(lambda _: b"") as (port, _):
        assert (await replay(silent, Target("127.0.0.1", port, FAST, 0.05))).differences == []
    async with _scripted(lambda _: GOOD) as (port, _):
        played = await _played(silent, port)
    assert [one.what for one in played.differences] == ["a reply, where there was none"]


async def test_requests_of_one_instant_go_out_in_one_piece() -> None:
    """And what came later waits for the answers, as the client may have."""
    other = encode_frame(2, 1, READ[7:])
    good = encode_frame(2, 1, GOOD[7:])
    third = Exchange(1000, 1, READ, GOOD)
    session = _session(ONE.exchanges[0], Exchange(0, 1, other, good), third)

    def answer(data: bytes) -> bytes:
        return good + GOOD if len(data) > len(READ) else GOOD

    async with _scripted(answer) as (port, received):
        played = await _played(session, port)
    assert received == [READ + other, READ]
    assert played.differences == []


async def test_a_cut_connection_is_made_again() -> None:
    """What follows a cut is asked over a new connection."""
    replies = iter([None, GOOD])
    session = _session(ONE.exchanges[0], Exchange(1000, 1, READ, GOOD))
    async with _scripted(lambda _: next(replies)) as (port, received):
        played = await _played(session, port)
    assert received == [READ, READ]
    assert [one.what for one in played.differences] == ["no reply, connection closed"]


async def test_a_write_keeps_its_place_among_all_clients(tmp_path: Path) -> None:
    """At any speed others read before it what was there before, and after it what came."""
    shell, recorder = _server(), Recorder(tmp_path / "s.jsonl", "mill", "hmi")
    shell.observe(recorder)
    _, port = await shell.start()
    for value in range(1, 30):
        write = encode_frame(value, 1, bytes((6, 0, 4, 0, value)))
        for request in (READ, write, READ):
            await _ask(port, request)
    await shell.close()
    recorder.close()
    session = parse_session((tmp_path / "s.jsonl").read_text(encoding="utf-8"), "s.jsonl")
    shell = _server()
    _, port = await shell.start()
    played = await _played(session, port)
    await shell.close()
    assert (played.clients, played.differences) == (87, [])


async def test_the_recorded_pace_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two seconds between two requests are waited for, or a fourth of it at speed 4."""
    slept: list[float] = []
    real: Callable[[float], Awaitable[None]] = asyncio.sleep

    async def sleep(seconds: float) -> None:
        slept.append(seconds)
        await real(0)

    session = _session(ONE.exchanges[0], Exchange(2_000_000_000, 1, READ, GOOD))
    async with _scripted(lambda _: GOOD) as (port, _):
        monkeypatch.setattr(asyncio, "sleep", sleep)
        for speed, expected in ((1.0, 2.0), (4.0, 0.5)):
            slept.clear()
            await replay(session, Target("127.0.0.1", port, speed, 5.0))
            assert 0 < slept[1] <= expected
            assert slept[1] > expected / 4


async def test_a_target_where_nobody_listens_is_an_error() -> None:
    """At once, not after a session without replies."""
    async with _scripted(lambda _: GOOD) as (port, _):
        pass
    with pytest.raises(SoftctlError, match=f"expected a server at 127.0.0.1:{port}"):
        await _played(ONE, port)


def test_a_file_that_is_there_is_kept(tmp_path: Path) -> None:
    """Unless it may be replaced; a folder that is not there is named."""
    path = tmp_path / "s.jsonl"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(SoftctlError, match="which is there: --overwrite"):
        Recorder(path, "mill", "hmi")
    assert path.read_text(encoding="utf-8") == "mine"
    Recorder(path, "mill", "hmi", overwrite=True).close()
    assert "recording" in path.read_text(encoding="utf-8")
    with pytest.raises(SoftctlError, match="expected a file to write"):
        Recorder(tmp_path / "none" / "s.jsonl", "mill", "hmi")


async def test_a_full_disk_ends_the_recording_and_not_the_server() -> None:
    """/dev/full refuses every write; clients go on, and the end says what was lost."""
    path = Path("/dev/full")
    if not path.exists():
        pytest.skip("this system has no /dev/full")
    shell, recorder = _server(), Recorder(path, "mill", "hmi", overwrite=True)
    shell.observe(recorder)
    _, port = await shell.start()
    for _ in range(3):
        assert len(await _ask(port, *[READ] * 100)) == 100
    await shell.close()
    assert recorder.requests == 300
    with pytest.raises(SoftctlError, match="whole recording to /dev/full, got: No space left"):
        recorder.close()


async def test_a_client_that_was_there_before_is_recorded_too(tmp_path: Path) -> None:
    """A recording may begin while clients are connected; theirs begins with a request."""
    shell, recorder = _server(), Recorder(tmp_path / "s.jsonl", "mill", "hmi")
    _, port = await shell.start()
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(READ)
    await reader.readexactly(len(GOOD))
    shell.observe(recorder)
    writer.write(READ)
    await reader.readexactly(len(GOOD))
    writer.close()
    await shell.close()
    recorder.close()
    session = parse_session((tmp_path / "s.jsonl").read_text(encoding="utf-8"), "s.jsonl")
    assert [type(event) for event in session.events] == [Opened, Exchange, Closed]
