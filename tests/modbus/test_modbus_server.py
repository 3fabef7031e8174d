"""What a server decides: units, other protocols, lost framing, time.

Sources: Modbus Messaging on TCP/IP Implementation Guide V1.0b, sections 3.1.3 and 4.4;
Modbus Application Protocol V1.1b3, section 7 for exception 0B.
"""

from __future__ import annotations

import pytest

from softctl.modbus import Bank, Client, Device, Server, UnknownUnit
from softctl.modbus.frames import encode_frame
from softctl.modbus.server import Close, Send
from softctl.values.tables import Table

READ = bytes.fromhex("03 0000 0001")


def _device(unit: int, value: int) -> Device:
    bank = Bank({Table.HOLDING_REGISTERS: [(0, 4)]})
    bank.registers(Table.HOLDING_REGISTERS)[0:2] = value.to_bytes(2, "big")
    return Device(bank, unit)


def _ask(server: Server, unit: int) -> list[object]:
    return list(server.connect(Client("test")).receive(encode_frame(9, unit, READ), 1_000))


def _value(unit: int, value: int) -> list[object]:
    return [Send(1_000, encode_frame(9, unit, b"\x03\x02" + value.to_bytes(2, "big")))]


def test_a_lone_device_is_also_unit_0_and_255() -> None:
    """The guide: 0xFF addresses a device directly, 0 is also accepted; both are echoed."""
    server = Server([_device(7, 0xBEEF)])
    for unit in (7, 0, 255):
        assert _ask(server, unit) == _value(unit, 0xBEEF)


def test_each_unit_has_its_own_bank() -> None:
    """Several devices answer for themselves, and one of them may be the direct one."""
    first, second = _device(1, 11), _device(2, 22)
    server = Server([first, second], direct=second)
    assert _ask(server, 1) == _value(1, 11)
    assert _ask(server, 2) == _value(2, 22)
    assert _ask(server, 255) == _value(255, 22)


def test_among_several_devices_none_is_direct_unless_said() -> None:
    """Unit 255 is then unknown like any other."""
    assert _ask(Server([_device(1, 1), _device(2, 2)]), 255) == [
        Send(1_000, encode_frame(9, 255, b"\x83\x0b"))
    ]


def test_an_unknown_unit_is_exception_0b_or_silence() -> None:
    """By setting: gateway target device failed to respond, or nothing at all."""
    assert _ask(Server([_device(1, 1)]), 5) == [Send(1_000, encode_frame(9, 5, b"\x83\x0b"))]
    assert _ask(Server([_device(1, 1)], unknown_unit=UnknownUnit.SILENCE), 5) == []


def test_another_protocol_is_discarded_silently() -> None:
    """The guide: a protocol id other than 0 gets no answer and does not disturb the next."""
    connection = Server([_device(1, 3)]).connect(Client("test"))
    other, ours = encode_frame(1, 1, READ, protocol=1), encode_frame(2, 1, READ)
    assert connection.receive(other + ours, 5) == [Send(5, encode_frame(2, 1, b"\x03\x02\x00\x03"))]
    assert connection.client.discarded == 1


def test_lost_framing_closes_after_the_answers_that_are_due() -> None:
    """Whole frames before the broken header are answered, nothing after it is."""
    connection = Server([_device(1, 3)]).connect(Client("test"))
    good, bad = encode_frame(1, 1, READ), encode_frame(2, 1, READ, length=1)
    assert connection.receive(good + bad + good, 5) == [
        Send(5, encode_frame(1, 1, b"\x03\x02\x00\x03")),
        Close(5),
    ]


@pytest.mark.parametrize("depth", [2, 16, 64])
def test_pipelined_requests_are_all_answered_in_order(depth: int) -> None:
    """The guide allows 1 to 16 transactions at once; more do no harm."""
    connection = Server([_device(1, 3)]).connect(Client("test"))
    stream = b"".join(encode_frame(i, 1, READ) for i in range(depth))
    replies = b"".join(encode_frame(i, 1, b"\x03\x02\x00\x03") for i in range(depth))
    assert connection.receive(stream, 5) == [Send(5, replies)]


def test_requests_and_exceptions_are_counted_for_each_client() -> None:
    """A client's own counters rise, another's do not."""
    server = Server([_device(1, 3)])
    busy, idle = server.connect(Client("busy")), server.connect(Client("idle"))
    busy.receive(encode_frame(1, 1, READ) + encode_frame(2, 1, b"\x03\0\x09\0\1"), 0)
    assert (busy.client.requests, busy.client.exceptions) == (2, {2: 1})
    assert (idle.client.requests, idle.client.exceptions) == (0, {})


def test_devices_must_have_units_of_their_own() -> None:
    """Two devices with one unit id, or none at all, are refused."""
    with pytest.raises(ValueError, match="got two with 1"):
        Server([_device(1, 1), _device(1, 2)])
    with pytest.raises(ValueError, match="at least one device"):
        Server([])


@pytest.mark.parametrize("data", [b"", b"\x00", bytes(7), b"\xff" * 300, bytes(300)])
def test_garbage_never_raises_and_never_answers(data: bytes) -> None:
    """What is not a frame gets no reply; at most the connection is closed."""
    actions = Server([_device(1, 1)]).connect(Client("test")).receive(data, 0)
    assert actions in ([], [Close(0)])
