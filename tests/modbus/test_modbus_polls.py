"""The short way for repeated reads: the same answers, counters and reports as the long way."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from softctl.modbus import Bank, Client, Device, Diagnostics, Server
from softctl.modbus.actions import Action, Close, Send
from softctl.modbus.faults import Faults, Rule, Silence
from softctl.modbus.frames import encode_frame
from softctl.modbus.polls import POLL_BYTES, Polls
from softctl.modbus.requests import ReadRequest, WriteRequest
from softctl.modbus.server import Connection
from softctl.values.tables import Table

WORDS = Table.HOLDING_REGISTERS
READ = encode_frame(7, 1, bytes.fromhex("03 0000 0002"))
BAD = encode_frame(8, 1, bytes.fromhex("03 00FF 0002"))
WRITE = encode_frame(9, 1, bytes.fromhex("06 0001 BEEF"))
ZEROS = encode_frame(7, 1, bytes.fromhex("03 04 0000 0000"))


def _server(**options) -> Server:
    return Server([Device(Bank({table: [(0, 40), (50, 9)] for table in Table}), **options)])


def _quick(connection: Connection, data: bytes, now_ns: int = 0) -> bytes | None:
    return connection.answer_polls(memoryview(data), len(data), now_ns)


def _taught(server: Server, *frames: bytes) -> Connection:
    connection = server.connect(Client("x"))
    for frame in frames or (READ,):
        connection.receive(frame, 0)
    return connection


def test_a_read_is_a_poll_from_the_second_time_on() -> None:
    """The first one goes the long way; after it a fresh transaction makes no difference."""
    connection = _server().connect(Client("x"))
    assert _quick(connection, READ) is None
    assert connection.receive(READ, 5) == [Send(5, ZEROS)]
    assert _quick(connection, b"\xab\xcd" + READ[2:]) == b"\xab\xcd" + ZEROS[2:]
    assert connection.client.requests == 2


def test_a_poll_shows_what_memory_holds_now() -> None:
    """Only the way is remembered, never the values: the owner's and a client's writes show."""
    server = _server()
    connection = _taught(server)
    connection.receive(WRITE, 0)
    server.devices[1].bank.registers(WORDS)[:2] = b"\x12\x34"
    assert _quick(connection, READ) == encode_frame(7, 1, bytes.fromhex("03 04 1234 BEEF"))


def test_polls_are_shared_by_the_clients_of_a_server() -> None:
    """What one connection has taught serves the next."""
    server = _server()
    _taught(server)
    assert _quick(server.connect(Client("y")), READ) == ZEROS


@pytest.mark.parametrize(
    "frame",
    [
        WRITE,
        BAD,
        encode_frame(1, 9, READ[7:]),
        encode_frame(1, 1, READ[7:], protocol=1),
        encode_frame(1, 1, bytes.fromhex("03 0000 0000")),
        encode_frame(1, 1, bytes.fromhex("05 0000 FF00")),
        encode_frame(1, 1, bytes.fromhex("2B 0E 01 00")),
        READ[:5],
        b"",
    ],
)
def test_only_reads_that_got_data_are_polls(frame: bytes) -> None:
    """Writes, exceptions, unknown units, other protocols and pieces go the long way."""
    connection = _taught(_server(), frame)
    assert _quick(connection, frame) is None
    assert connection._polls.known == {}


def test_several_polls_at_once_are_answered_or_left_together() -> None:
    """One stranger among them sends all of them the long way, counted once."""
    connection = _taught(_server())
    assert _quick(connection, READ * 3) == ZEROS * 3
    assert connection.client.requests == 4
    assert _quick(connection, READ + WRITE + READ) is None
    assert connection.client.requests == 4


def test_a_piece_of_a_frame_bars_the_short_way() -> None:
    """Bytes that look like a poll are the rest of another frame when one has begun."""
    connection = _taught(_server())
    head = encode_frame(1, 1, b"\x10\0\0\0\x03\x06", length=13)
    assert len(READ) == POLL_BYTES
    assert connection.receive(head, 0) == []
    assert _quick(connection, READ) is None
    connection.receive(READ[:6], 0)
    assert _quick(connection, READ) == encode_frame(7, 1, bytes.fromhex("03 04") + READ[:4])


def test_after_lost_framing_nothing_is_answered() -> None:
    """A poll behind a broken header stays unanswered."""
    connection = _taught(_server())
    assert connection.receive(encode_frame(1, 1, b"\x03", length=0), 0) == [Close(0)]
    assert _quick(connection, READ) is None
    assert connection.receive(READ, 0) == [Close(0)]


def test_permission_is_asked_for_each_client() -> None:
    """Where clients differ, what one may read teaches nothing about another."""
    asked: list[str] = []

    def permit(client: Client, *_: object) -> bool:
        asked.append(client.name)
        return client.name == "insider"

    server = _server(permit=permit)
    insider, outsider = server.connect(Client("insider")), server.connect(Client("outsider"))
    assert insider.receive(READ, 0) == insider.receive(READ, 0) == [Send(0, ZEROS)]
    for _ in range(2):
        refused = Send(0, encode_frame(7, 1, b"\x83\x01"))
        assert outsider.receive(READ, 0) == [refused]
    assert asked == ["insider", "outsider", "outsider"]


def test_a_device_with_diagnostics_hears_every_request() -> None:
    """Its counters would miss what goes the short way, so nothing does."""
    connection = _taught(_server(diagnostics=Diagnostics()), READ, READ)
    assert _quick(connection, READ) is None


def test_a_wire_fault_in_force_bars_the_short_way() -> None:
    """A rule switched on live strikes polls too, and off again it is the short way."""
    server = _server()
    connection = _taught(server)
    server.faults = Faults(Random(1))
    assert _quick(connection, READ) == ZEROS
    rule = Rule(Silence())
    server.faults.add(rule)
    assert connection.receive(READ, 0) == []
    server.faults.remove(rule)
    assert _quick(connection, READ) == ZEROS


def test_memory_is_bounded_whatever_is_read() -> None:
    """At the limit all are forgotten, and what is still polled is learnt again."""
    server = _server()
    server._polls = Polls(8)
    connection = server.connect(Client("x"))
    for address in range(30):
        connection.receive(encode_frame(1, 1, b"\x03\0" + bytes((address,)) + b"\0\1"), 0)
        assert len(server._polls.known) <= 8
    assert connection.receive(READ, 0) == [Send(0, ZEROS)]
    assert _quick(connection, READ) == ZEROS


def test_use_is_noted_for_the_idle_limit() -> None:
    """A client that only polls is not idle."""
    connection = _taught(_server())
    _quick(connection, READ, 77)
    assert connection.client.last_used_ns == 77
    _quick(connection, READ * 2, 78)
    assert connection.client.last_used_ns == 78


def test_the_observer_hears_of_every_frame_whichever_way_it_goes() -> None:
    """Client, request frame, decoded request and reply frame, in order, replies or none."""
    server = _server()
    told: list[tuple[object, ...]] = []
    server.on_request = lambda *exchange: told.append(exchange)
    connection = server.connect(Client("x"))
    other = encode_frame(3, 1, READ[7:], protocol=2)
    for data in (READ, READ, READ * 2, WRITE + BAD, other):
        connection.receive(data, 0)
    read = (connection.client, READ, ReadRequest(3, WORDS, 0, 2), ZEROS)
    write = WriteRequest(6, WORDS, 1, 1, b"\xbe\xef", WRITE[7:])
    assert told == [
        read,
        read,
        read,
        read,
        (connection.client, WRITE, write, WRITE),
        (connection.client, BAD, ReadRequest(3, WORDS, 255, 2), encode_frame(8, 1, b"\x83\x02")),
        (connection.client, other, None, None),
    ]


PDUS = st.one_of(
    st.builds(
        lambda code, address, count: bytes((code, 0, address, 0, count)),
        st.sampled_from([1, 2, 3, 4]),
        st.integers(0, 60),
        st.integers(0, 12),
    ),
    st.builds(
        lambda address, value: b"\x06\0" + bytes((address,)) + value,
        st.integers(0, 60),
        st.binary(min_size=2, max_size=2),
    ),
    st.builds(
        lambda address, on: b"\x05\0" + bytes((address,)) + (b"\xff\0" if on else b"\0\0"),
        st.integers(0, 60),
        st.booleans(),
    ),
    st.binary(min_size=1, max_size=8),
)
RECEIVES = st.lists(
    st.lists(st.tuples(st.integers(0, 3), st.sampled_from([0, 1, 5]), PDUS), min_size=1, max_size=4)
)


@settings(max_examples=300)
@given(RECEIVES)
def test_both_ways_give_the_same_answers(receives: list[list[tuple[int, int, bytes]]]) -> None:
    """Twice the same stream of reads, writes and rubbish: no byte and no counter differs."""
    short, long = _server().connect(Client("x")), _server().connect(Client("x"))
    for frames in receives * 2:
        data = b"".join(encode_frame(t, unit, pdu) for t, unit, pdu in frames)
        answers: list[Action] = short.receive(data, 9)
        assert answers == long.receive_any(data, 9)
    assert (short.client.requests, short.client.exceptions) == (
        long.client.requests,
        long.client.exceptions,
    )
