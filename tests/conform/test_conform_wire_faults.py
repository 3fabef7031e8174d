"""Wire faults make a wrong server for each group of cases, and the cases see just that."""

from __future__ import annotations

import pytest
from conform_faulty import FaultyServer
from conform_flaws import expand
from conform_wires import failed, play_all, site_of

from softctl.conform import GROUPS, Site, Verdict
from softctl.modbus.clients import parse_networks
from softctl.modbus.faults import (
    Cut,
    Delay,
    Deny,
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
from softctl.values.tables import Table

WORDS = Table.HOLDING_REGISTERS
UNASSIGNED = frozenset({18, 19, 25, 26})


def _of(*functions: int, **fields) -> Scope:
    return Scope(functions=frozenset(functions), **fields)


FAULTS = [
    (
        "functions",
        Rule(Refuse(4), Scope(functions=UNASSIGNED)),
        "function-018-* function-019-* function-02[56]-*",
    ),
    (
        "read",
        Rule(Refuse(6), _of(2)),
        "fc02-*",
    ),
    (
        "read",
        Rule(Delay(2_000_000_000), _of(4)),
        "fc04-* function-004-*",
    ),
    (
        "write-one",
        Rule(Silence(), _of(5)),
        "fc05-* function-005-* memory-coils-* memory-last-coil",
    ),
    (
        "write-many",
        Rule(Truncate(9), _of(15)),
        (
            "fc15-* !fc15-bare !fc15-*hole fc01-padding fc01-slices function-015-* "
            "memory-bit-order memory-coils-agree memory-whole-coils"
        ),
    ),
    (
        "mask-write",
        Rule(Refuse(4), _of(22)),
        "fc22-* memory-whole-mask",
    ),
    (
        "read-write",
        Rule(Freeze(), _of(23)),
        "fc23-overlap fc23-write-first memory-whole-read-*",
    ),
    (
        "diagnostics",
        Rule(Delay(1_500_000_000, 500_000_000), _of(8, 11)),
        "fc08-* fc11-* function-008-* function-011-*",
    ),
    (
        "files",
        Rule(Cut(5), _of(20)),
        ("fc20-* function-020-* fc21-byte-count fc21-record-length fc21-reference-type fc21-write"),
    ),
    (
        "identification",
        Rule(Reset(), _of(43)),
        "fc43-* function-043-*",
    ),
    (
        "header",
        Rule(WrongUnit()),
        "header-unit-*",
    ),
    (
        "header",
        Rule(WrongTransaction(), _of(64)),
        "header-transaction-exception stream-joined-e*",
    ),
    (
        "header",
        Rule(WrongLength(-1), _of(64)),
        "function-064-* header-length-reply-exception stream-joined-e*",
    ),
    (
        "stream",
        Rule(Silence(), _of(64)),
        "function-064-* header-*-exception stream-joined-exception",
    ),
    (
        "stream",
        Rule(Silence(), _of(3, table=WORDS, first=15, last=15)),
        (
            "fc03-limit fc03-slices fc16-limit fc16-limit-over fc23-write-limit "
            "memory-whole-registers stream-half-close-16 stream-hundred stream-pipeline-* "
            "!stream-pipeline-2"
        ),
    ),
    (
        "clients",
        Rule(Deny(), Scope(clients=parse_networks(["192.0.2.2/32"]))),
        (
            "clients-halves clients-reconnect-50 clients-same-transaction clients-stalled "
            "clients-two clients-unread-64 header-length-* !header-length-reply* "
            "header-protocol-write memory-coils-two-clients memory-reconnect memory-two-clients "
            "memory-whole-* stream-garbage-*"
        ),
    ),
    (
        "memory",
        Rule(SwapWords(), _of(3, table=WORDS, first=1)),
        (
            "fc06-neighbours fc16-* !fc16-bare !fc16-example !fc16-hole "
            "!fc16-one !fc16-past-end !fc16-zero-in-hole fc22-neighbours fc23-byte-count-* "
            "fc23-data-* fc23-example fc23-read-hole fc23-read-limit-over fc23-read-wrap "
            "fc23-read-zero fc23-write-limit fc23-write-limit-over fc23-write-zero "
            "fc23-zero-in-hole memory-registers-agree stream-split-write"
        ),
    ),
    (
        "memory",
        Rule(Freeze(), _of(1, table=Table.COILS, first=1000)),
        "fc15-limit fc15-limit-over memory-last-coil",
    ),
]
"""For each group, faults and the cases that they fail, in whatever group those are."""


@pytest.fixture(scope="module")
def site() -> Site:
    return site_of(FaultyServer())


def test_our_server_with_every_function_passes_every_case(site) -> None:
    """Without faults nothing fails, and nothing is left out."""
    results = play_all(FaultyServer, site)
    assert {result.outcome.verdict for result in results.values()} == {Verdict.PASS}


@pytest.mark.parametrize(
    ("group", "rule", "patterns"),
    FAULTS,
    ids=[f"{row[0]}, {row[1].effect.title}" for row in FAULTS],
)
def test_a_wire_fault_fails_exactly_the_cases_meant_for_it(site, group, rule, patterns) -> None:
    """The fault is seen in its group, and nothing that it does not touch fails."""
    results = play_all(lambda: FaultyServer([rule]), site)
    assert failed(results) == expand(patterns)
    assert group in {results[name].case.group for name in failed(results)}


def test_every_group_has_its_fault() -> None:
    """The group about TLS has wrong servers of its own: faults come after the handshake."""
    assert {group for group, _, _ in FAULTS} == {*GROUPS} - {"tls"}


@pytest.mark.parametrize("effect", [Split(3, 1_000_000), Delay(400_000_000, 100_000_000)])
def test_what_a_client_has_to_bear_fails_no_case(site, effect) -> None:
    """Replies in pieces and replies that are late but in time are right replies."""
    assert failed(play_all(lambda: FaultyServer([Rule(effect)]), site)) == set()
