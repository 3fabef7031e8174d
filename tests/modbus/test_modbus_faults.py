"""Wire faults: what strikes, what is sent then, and that nothing else is touched."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from softctl.modbus import Bank, Client, Device, Server
from softctl.modbus.actions import Action, Close, Send
from softctl.modbus.clients import parse_networks
from softctl.modbus.faults import (
    Cut,
    Delay,
    Deny,
    Effect,
    Faults,
    Freeze,
    Refuse,
    Reset,
    Rule,
    Scope,
    Silence,
    Split,
    SwapWords,
    Truncate,
    WrongLength,
    WrongTransaction,
    WrongUnit,
)
from softctl.modbus.frames import encode_frame
from softctl.values.tables import Table

WORDS = Table.HOLDING_REGISTERS
READ = encode_frame(7, 1, bytes.fromhex("03 0000 0003"))
REPLY = encode_frame(7, 1, bytes.fromhex("03 06 0001 0002 0003"))
WRITE = encode_frame(8, 1, bytes.fromhex("06 0001 BEEF"))
NOW = 1_000_000


def _server(*rules: Rule, seed: int = 1) -> Server:
    bank = Bank({table: [(0, 64)] for table in Table})
    bank.registers(WORDS)[:6] = bytes.fromhex("0001 0002 0003")
    bank.bits(Table.COILS)[:4] = b"\1\0\1\1"
    return Server([Device(bank)], faults=Faults(Random(seed), 0, rules))


def _send(server: Server, *frames: bytes, host: str = "192.0.2.1", now: int = NOW) -> list[Action]:
    return server.connect(Client("x", host)).receive(b"".join(frames), now)


@pytest.mark.parametrize(
    ("effect", "expected"),
    [
        (Silence(), []),
        (Refuse(6), [Send(NOW, encode_frame(7, 1, b"\x83\x06"))]),
        (Delay(500), [Send(NOW + 500, REPLY)]),
        (Cut(), [Close(NOW)]),
        (Cut(9), [Send(NOW, REPLY[:9]), Close(NOW)]),
        (Reset(), [Close(NOW, abort=True)]),
        (Truncate(8), [Send(NOW, REPLY[:8])]),
        (Split(8), [Send(NOW, REPLY[:8]), Send(NOW, REPLY[8:])]),
        (Split(1, 10), [Send(NOW + 10 * i, REPLY[i : i + 1]) for i in range(15)]),
        (WrongTransaction(), [Send(NOW, b"\0\x08" + REPLY[2:])]),
        (WrongTransaction(-8), [Send(NOW, b"\xff\xff" + REPLY[2:])]),
        (WrongUnit(), [Send(NOW, REPLY[:6] + b"\2" + REPLY[7:])]),
        (WrongLength(-2), [Send(NOW, REPLY[:4] + b"\0\7" + REPLY[6:])]),
        (SwapWords(), [Send(NOW, REPLY[:9] + bytes.fromhex("0002 0001 0003"))]),
        (Deny(), [Send(NOW, REPLY)]),
    ],
)
def test_an_effect_does_to_a_reply_what_it_says(effect: Effect, expected: list[Action]) -> None:
    """One rule with no limits strikes a read of three registers."""
    assert _send(_server(Rule(effect)), READ) == expected


@pytest.mark.parametrize(
    ("effect", "is_done"),
    [
        (Silence(), False),
        (Refuse(6), False),
        (Cut(), True),
        (Reset(), True),
        (Truncate(3), True),
        (Delay(9), True),
    ],
)
def test_only_lost_and_refused_requests_are_not_done(effect: Effect, is_done: bool) -> None:
    """Where the reply is lost the write has happened, as on a real line."""
    server = _server(Rule(effect))
    _send(server, WRITE)
    held = server.devices[1].bank.registers(WORDS)[2:4]
    assert held == (b"\xbe\xef" if is_done else b"\0\2")


def test_effects_combine_in_the_order_of_their_stages() -> None:
    """Whatever the order of the rules: data, header, bytes, time, end."""
    rules = [
        Rule(Cut(9)),
        Rule(Delay(100)),
        Rule(Split(8, 10)),
        Rule(WrongUnit()),
        Rule(SwapWords()),
    ]
    spoilt = REPLY[:6] + b"\2" + REPLY[7:9]
    expected = [Send(NOW + 100, spoilt[:8]), Send(NOW + 110, spoilt[8:]), Close(NOW + 110)]
    assert _send(_server(*rules), READ) == expected
    assert _send(_server(*reversed(rules)), READ) == expected


@pytest.mark.parametrize(
    ("scope", "is_struck"),
    [
        (Scope(), True),
        (Scope(clients=parse_networks(["192.0.2.0/24"])), True),
        (Scope(clients=parse_networks(["192.0.3.0/24"])), False),
        (Scope(units=frozenset({1})), True),
        (Scope(units=frozenset({2})), False),
        (Scope(functions=frozenset({3, 4})), True),
        (Scope(functions=frozenset({4})), False),
        (Scope(table=WORDS), True),
        (Scope(table=Table.COILS), False),
        (Scope(first=2, last=2), True),
        (Scope(first=3), False),
        (Scope(probability=0), False),
        (Scope(from_ns=NOW), True),
        (Scope(from_ns=NOW + 1), False),
        (Scope(until_ns=NOW + 1), True),
        (Scope(until_ns=NOW), False),
    ],
)
def test_a_rule_strikes_only_its_scope(scope: Scope, is_struck: bool) -> None:
    """Client, unit, function, table, addresses, chance and time must all agree."""
    assert _send(_server(Rule(Silence(), scope)), READ) == ([] if is_struck else [Send(NOW, REPLY)])


@pytest.mark.parametrize(
    ("request_", "is_struck"),
    [
        ("05 0005 FF00", False),
        ("06 0005 0000", True),
        ("0F 0005 0001 01 01", False),
        ("10 0004 0002 04 0000 0000", True),
        ("10 0006 0001 02 0000", False),
        ("16 0005 FFFF 0000", True),
        ("17 0000 0001 0005 0001 02 0000", True),
        ("17 0005 0001 0000 0001 02 0000", True),
        ("17 0000 0001 0001 0001 02 0000", False),
        ("2B 0E 01 00", False),
    ],
)
def test_addresses_of_every_function_are_known(request_: str, is_struck: bool) -> None:
    """A rule on holding register 5 finds every request that touches it, and no other."""
    rule = Rule(Silence(), Scope(table=WORDS, first=5, last=5))
    actions = _send(_server(rule), encode_frame(1, 1, bytes.fromhex(request_)))
    assert (actions == []) is is_struck


def test_a_share_of_requests_is_struck_and_repeats_with_the_seed() -> None:
    """A chance of one in four strikes about a quarter, the same ones for the same seed."""

    def struck(seed: int) -> list[bool]:
        server = _server(Rule(Refuse(6), Scope(probability=0.25)), seed=seed)
        connection = server.connect(Client("x"))
        return [connection.receive(READ, NOW)[0].data != REPLY for _ in range(2000)]

    assert struck(3) == struck(3) != struck(4)
    assert 400 < sum(struck(3)) < 600


def test_random_delays_lie_within_their_limits() -> None:
    """From the fixed delay to the fixed and the random one, not all the same."""
    connection = _server(Rule(Delay(100, 50))).connect(Client("x"))
    times = {connection.receive(READ, NOW)[0].at_ns - NOW for _ in range(200)}
    assert min(times) >= 100
    assert max(times) <= 150
    assert len(times) > 20


def test_a_frozen_range_stands_still_while_the_rest_moves() -> None:
    """A heartbeat in register 1 keeps the value it had when the rule came into force."""
    server = _server()
    rule = Rule(Freeze(), Scope(table=WORDS, first=1, last=1))
    bank = server.devices[1].bank
    assert server.faults is not None
    server.faults.add(rule)
    assert _send(server, READ) == [Send(NOW, REPLY)]
    bank.registers(WORDS)[:6] = bytes.fromhex("0011 0012 0013")
    assert _send(server, READ)[0].data[9:] == bytes.fromhex("0011 0002 0013")
    server.faults.remove(rule)
    assert _send(server, READ)[0].data[9:] == bytes.fromhex("0011 0012 0013")
    server.faults.add(rule)
    _send(server, READ)
    bank.registers(WORDS)[:6] = bytes(6)
    assert _send(server, READ)[0].data[9:] == bytes.fromhex("0000 0012 0000")


def test_a_frozen_bank_takes_writes_that_nobody_sees() -> None:
    """Bits and registers, functions 01, 03 and 23, read as they were."""
    server = _server(Rule(Freeze()))
    coils = encode_frame(1, 1, bytes.fromhex("01 0000 0004"))
    before = _send(server, coils)
    _send(server, WRITE, encode_frame(1, 1, bytes.fromhex("05 0001 FF00")))
    bank = server.devices[1].bank
    assert bank.registers(WORDS)[2:4] == b"\xbe\xef"
    assert bank.bits(Table.COILS)[1] == 1
    assert _send(server, coils) == before
    assert _send(server, READ) == [Send(NOW, REPLY)]
    both = encode_frame(1, 1, bytes.fromhex("17 0001 0001 0001 0001 02 1234"))
    assert _send(server, both) == [Send(NOW, encode_frame(1, 1, bytes.fromhex("17 02 0002")))]


def test_an_exception_reply_has_no_data_to_spoil() -> None:
    """Frozen and swapped words leave exception replies as they are."""
    bad = encode_frame(1, 1, bytes.fromhex("03 0100 0001"))
    expected = [Send(NOW, encode_frame(1, 1, b"\x83\x02"))]
    assert _send(_server(Rule(Freeze()), Rule(SwapWords())), bad) == expected


def test_each_pipelined_request_has_its_own_fate() -> None:
    """A delayed reply keeps its transaction, and another's is not touched."""
    server = _server(Rule(Delay(500), Scope(functions=frozenset({3}))))
    assert _send(server, READ, WRITE) == [Send(NOW + 500, REPLY), Send(NOW, WRITE)]


def test_another_protocol_is_discarded_under_any_fault() -> None:
    """What must get no reply gets none, exception code or not."""
    other = encode_frame(1, 1, READ[7:], protocol=5)
    assert _send(_server(Rule(Refuse(6))), other) == []


def test_connections_are_denied_by_client_and_time() -> None:
    """Only new connections of the scope are turned away, and only then."""
    scope = Scope(clients=parse_networks(["192.0.2.0/24"]), from_ns=10, until_ns=20)
    server = _server(Rule(Deny(), scope))
    assert server.admit(Client("a", "192.0.2.1"), 9) == (True, None)
    assert server.admit(Client("b", "192.0.2.1"), 10) == (False, None)
    assert server.admit(Client("c", "192.0.3.1"), 10) == (True, None)
    assert server.admit(Client("d", "192.0.2.1"), 20) == (True, None)


def test_times_count_from_the_start_of_the_faults() -> None:
    """The server's clock may stand anywhere when they begin."""
    server = _server()
    server.faults = Faults(Random(1), NOW, [Rule(Silence(), Scope(from_ns=10, until_ns=20))])
    struck = [_send(server, READ, now=NOW + t) == [] for t in (9, 10, 19, 20)]
    assert struck == [False, True, True, False]


@pytest.mark.parametrize(
    "build",
    [
        lambda: Scope(probability=1.5),
        lambda: Scope(first=5, last=4),
        lambda: Split(0),
        lambda: Delay(-1),
    ],
)
def test_a_fault_that_cannot_be_is_refused(build) -> None:
    """Chances, ranges, pieces and delays have limits."""
    with pytest.raises(ValueError, match="expected"):
        build()


def test_words_are_swapped_in_pairs_of_the_scope() -> None:
    """Pairs count from the scope's first register, whatever range is read."""
    server = _server(Rule(SwapWords(), Scope(table=WORDS, first=1, last=2)))
    assert _send(server, READ)[0].data[9:] == bytes.fromhex("0001 0003 0002")
    lone = encode_frame(1, 1, bytes.fromhex("03 0002 0001"))
    assert _send(server, lone)[0].data[9:] == bytes.fromhex("0003")
    everywhere = _server(Rule(SwapWords()))
    odd = encode_frame(1, 1, bytes.fromhex("03 0001 0002"))
    assert _send(everywhere, odd)[0].data[9:] == bytes.fromhex("0002 0003")


def test_what_each_rule_has_struck_is_counted() -> None:
    """Requests and new connections count, those out of scope do not."""
    refuse, deny = Rule(Refuse(6), Scope(functions=frozenset({3}))), Rule(Deny())
    server = _server(refuse, deny)
    _send(server, READ, WRITE, READ)
    server.admit(Client("a", "192.0.2.1"), NOW)
    assert server.faults is not None
    assert (server.faults.count(refuse), server.faults.count(deny)) == (2, 1)


def test_rules_of_one_seed_do_not_change_each_others_chances() -> None:
    """A rule with a seed of its own strikes the same requests, alone or beside others."""

    def struck(*others: Rule) -> list[bool]:
        rule = Rule(Refuse(6), Scope(probability=0.5), "half", "5")
        connection = _server(*others, rule).connect(Client("x"))
        return [connection.receive(READ, NOW)[0].data[7] == 0x83 for _ in range(100)]

    assert struck() == struck(Rule(Delay(0), Scope(probability=0.5), "other", "6"))
    assert 20 < sum(struck()) < 80


def test_rules_that_stay_go_on_undisturbed_when_others_change() -> None:
    """Replacing the rules keeps the count and the frozen values of one that says the same."""
    server = _server(Rule(Freeze(), Scope(), "stale"), Rule(Silence(), Scope(), "gone"))
    faults, bank = server.faults, server.devices[1].bank
    assert faults is not None
    _send(server, READ)
    bank.registers(WORDS)[:6] = bytes(6)
    faults.replace([Rule(Delay(5), Scope(), "new"), Rule(Freeze(), Scope(), "stale")])
    assert [rule.name for rule in faults.rules] == ["stale", "new"]
    assert _send(server, READ) == [Send(NOW + 5, REPLY)]
    assert faults.count(faults.rules[0]) == 2
    faults.replace([Rule(Freeze(), Scope(first=1), "stale")])
    assert _send(server, READ)[0].data[9:] == bytes(6)
    faults.replace([])
    assert faults.rules == []


def test_a_rule_is_put_in_force_once() -> None:
    """The same rule twice is a mistake of the caller."""
    rule = Rule(Silence())
    faults = Faults(Random(1), 0, [rule])
    with pytest.raises(ValueError, match="not in force yet"):
        faults.add(rule)
    faults.remove(rule)
    faults.add(rule)


def test_rules_are_active_in_their_time() -> None:
    """From the first instant of a rule to the one before its last."""
    rule = Rule(Silence(), Scope(from_ns=10, until_ns=20))
    faults = Faults(Random(1), 100, [rule])
    assert [bool(faults.active(now)) for now in (109, 110, 119, 120)] == [False, True, True, False]


SMALL = st.integers(0, 300)
OFFSETS = st.integers(-70_000, 70_000)
EFFECTS = st.one_of(
    st.just(Silence()),
    st.builds(Refuse, st.integers(0, 255)),
    st.just(Freeze()),
    st.just(SwapWords()),
    st.builds(WrongTransaction, OFFSETS),
    st.builds(WrongUnit, OFFSETS),
    st.builds(WrongLength, OFFSETS),
    st.builds(Truncate, SMALL),
    st.builds(Split, st.integers(1, 300), SMALL),
    st.builds(Delay, SMALL, SMALL),
    st.builds(Cut, SMALL),
    st.just(Reset()),
    st.just(Deny()),
)
ENDS = st.tuples(st.integers(0, 70), st.integers(0, 70)).map(sorted)
SCOPES = st.builds(
    lambda table, ends, share, functions: Scope(
        table=table,
        first=ends[0],
        last=ends[1],
        probability=share,
        functions=frozenset(functions),
    ),
    st.none() | st.sampled_from(list(Table)),
    ENDS,
    st.sampled_from([0.0, 0.5, 1.0]),
    st.lists(st.integers(1, 24), max_size=3),
) | st.just(Scope())
REQUESTS = st.one_of(
    st.builds(
        lambda code, first, count: bytes((code, 0, first, 0, count)),
        st.integers(1, 6),
        st.integers(0, 70),
        st.integers(0, 130),
    ),
    st.builds(
        lambda read, write: bytes((23, 0, read, 0, 3, 0, write, 0, 1, 2, 7, 8)),
        st.integers(0, 70),
        st.integers(0, 70),
    ),
    st.binary(min_size=1, max_size=40),
)


@given(
    st.lists(st.builds(Rule, EFFECTS, SCOPES), max_size=5),
    st.lists(st.tuples(st.integers(0, 3), REQUESTS), min_size=1, max_size=6),
)
@settings(max_examples=300, deadline=None)
def test_any_faults_on_any_requests_are_bytes_and_times(
    rules: list[Rule], requests: list[tuple[int, bytes]]
) -> None:
    """However faults combine, nothing is raised, sent before its time or sent empty."""
    server = _server(*rules)
    frames = b"".join(encode_frame(7, unit, pdu) for unit, pdu in requests)
    for action in server.connect(Client("x", "192.0.2.1")).receive(frames, NOW):
        assert action.at_ns >= NOW
        assert not isinstance(action, Send) or action.data
    assert server.faults is not None
    assert all(server.faults.count(rule) <= len(requests) for rule in rules)
