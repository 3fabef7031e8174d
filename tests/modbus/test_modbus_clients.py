"""Who may connect, how many, how long, and what they may do.

Sources: Modbus Messaging on TCP/IP Implementation Guide V1.0b, section 4.2 (a full pool
closes the oldest unused connection); Modbus/TCP Security v36 (not authorised is exception
01).
"""

from __future__ import annotations

import pytest

from softctl.modbus import Bank, Client, Device, Policy, Server, WhenFull
from softctl.modbus.clients import Pool, parse_networks
from softctl.modbus.frames import encode_frame
from softctl.modbus.functions import CHANGING_FUNCTIONS, FUNCTIONS
from softctl.modbus.server import Send
from softctl.values.tables import Table

READ = encode_frame(1, 1, bytes.fromhex("03 0000 0001"))


def _server(policy: Policy) -> Server:
    return Server([Device(Bank({table: [(0, 8)] for table in Table}))], policy=policy)


def test_a_full_pool_closes_the_client_that_was_used_least_recently() -> None:
    """A whole request is use; the connection order alone is not."""
    server = _server(Policy(max_connections=2))
    first, second, third = Client("first"), Client("second"), Client("third")
    assert server.pool.admit(first, 1) == (True, None)
    assert server.pool.admit(second, 2) == (True, None)
    server.connect(first).receive(READ, 3)
    assert server.pool.admit(third, 4) == (True, second)
    assert list(server.pool.clients) == [first, third]


def test_part_of_a_request_is_not_use() -> None:
    """A client that dribbles bytes is the oldest all the same."""
    server = _server(Policy(max_connections=2))
    slow, other = Client("slow"), Client("other")
    server.pool.admit(slow, 1)
    server.pool.admit(other, 2)
    server.connect(slow).receive(READ[:11], 3)
    assert server.pool.admit(Client("new"), 4) == (True, slow)


def test_a_full_pool_refuses_the_new_client_when_told_to() -> None:
    """Those connected stay; when one has gone there is room again."""
    pool = Pool(Policy(max_connections=1, when_full=WhenFull.REFUSE))
    first, second = Client("first"), Client("second")
    assert pool.admit(first, 1) == (True, None)
    assert pool.admit(second, 2) == (False, None)
    pool.remove(first)
    assert pool.admit(second, 3) == (True, None)


def test_idle_clients_expire() -> None:
    """At the time-out, not before; the next look is when the next one is due."""
    pool = Pool(Policy(idle_timeout_ns=100))
    early, late = Client("early"), Client("late")
    pool.admit(early, 0)
    pool.admit(late, 50)
    assert pool.expire(99) == ([], 100)
    assert pool.expire(100) == ([early], 150)
    assert pool.expire(150) == ([late], 250)
    assert Pool(Policy()).expire(10**18) == ([], None)


@pytest.mark.parametrize(
    ("host", "is_admitted"),
    [("192.0.2.7", True), ("192.0.3.7", False), ("2001:db8::1", True), ("", False)],
)
def test_only_allowed_networks_connect(host: str, is_admitted: bool) -> None:
    """IPv4 and IPv6 networks; who has no address is in none."""
    allowed = parse_networks(["192.0.2.0/24", "2001:db8::/32"])
    pool = Pool(Policy(allowed=allowed))
    assert pool.admit(Client("x", host), 0) == (is_admitted, None)


@pytest.mark.parametrize("code", sorted(FUNCTIONS))
def test_a_read_only_client_may_change_nothing(code: int) -> None:
    """Every function that changes something is exception 01, whatever else is wrong."""
    server = _server(Policy(read_only=parse_networks(["192.0.2.7"])))
    client = Client("viewer", "192.0.2.7")
    server.pool.admit(client, 0)
    (action,) = server.connect(client).receive(encode_frame(1, 1, bytes((code, 0))), 0)
    assert isinstance(action, Send)
    is_known = code in server.devices[1].functions
    expected = 1 if code in CHANGING_FUNCTIONS or not is_known else 3
    assert action.data[7:] == bytes((code | 0x80, expected))
    assert client.exceptions == {expected: 1}


def test_a_client_outside_the_read_only_networks_may_write() -> None:
    """The restriction is for those networks alone."""
    server = _server(Policy(read_only=parse_networks(["192.0.2.0/24"])))
    client = Client("operator", "192.0.3.7")
    server.pool.admit(client, 0)
    frame = encode_frame(1, 1, bytes.fromhex("05 0000 FF00"))
    assert server.connect(client).receive(frame, 5) == [Send(5, frame)]


@pytest.mark.parametrize(
    ("request_", "ranges"),
    [
        ("01 0001 0002", [(Table.COILS, 1, 2, False)]),
        ("04 0001 0002", [(Table.INPUT_REGISTERS, 1, 2, False)]),
        ("05 0001 FF00", [(Table.COILS, 1, 1, True)]),
        ("10 0001 0002 04 0000 0000", [(Table.HOLDING_REGISTERS, 1, 2, True)]),
        ("16 0001 0000 0000", [(Table.HOLDING_REGISTERS, 1, 1, True)]),
        (
            "17 0001 0002 0003 0001 02 0000",
            [(Table.HOLDING_REGISTERS, 1, 2, False), (Table.HOLDING_REGISTERS, 3, 1, True)],
        ),
    ],
)
def test_every_range_needs_permission(request_: str, ranges) -> None:
    """The hook sees client, range and direction; refusing any is 01 and changes nothing."""
    asked: list[object] = []

    def permit(*args: object) -> bool:
        asked.append(args)
        return len(asked) < len(ranges)

    bank = Bank({table: [(0, 8)] for table in Table})
    device = Device(bank, permit=permit, on_write=lambda *_: pytest.fail("written"))
    client = Client("x", role="viewer")
    pdu = bytes.fromhex(request_)
    assert device.answer(pdu, client) == bytes((pdu[0] | 0x80, 1))
    assert asked == [(client, *range_) for range_ in ranges]


def test_permission_comes_before_the_address() -> None:
    """Who may not ask does not learn what exists."""
    device = Device(Bank({}), permit=lambda *_: False)
    assert device.answer(bytes.fromhex("03 0000 0001")) == b"\x83\x01"


def test_data_that_is_no_value_is_exception_04() -> None:
    """A check that cannot read the data raises ValueError, and nothing changes."""

    def check(*_: object) -> None:
        raise ValueError("expected a USINT from 0 to 255, got 300")

    device = Device(Bank({Table.HOLDING_REGISTERS: [(0, 8)]}), write_check=check)
    assert device.answer(bytes.fromhex("06 0000 012C")) == b"\x86\x04"
    assert not any(device.bank.registers(Table.HOLDING_REGISTERS))


def test_a_policy_that_cannot_be_is_refused() -> None:
    """Messages say what was expected and what came."""
    with pytest.raises(ValueError, match="1 or more connections, got 0"):
        Policy(max_connections=0)
    with pytest.raises(ValueError, match="above 0, got 0 ns"):
        Policy(idle_timeout_ns=0)
    with pytest.raises(ValueError, match=r"got '192\.0\.2/24'"):
        parse_networks(["192.0.2/24"])
