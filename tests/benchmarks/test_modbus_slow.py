"""Slow clients, fewer than in the benchmark: the good one gets every answer, they get theirs.

No time is asserted: `python tests/benchmarks/modbus_slow.py` prints the latencies.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from modbus_peers import compile_c, serving
from modbus_slow import REQUEST, SERVER, SlowClients, compare

pytestmark = [pytest.mark.peer, pytest.mark.network]

REPLY = bytes.fromhex("0001 0000 00FD 01 03 FA") + bytes(250)


def test_a_good_client_gets_every_answer_beside_slow_ones(tmp_path: Path) -> None:
    """No wrong and no missing reply while 90 connections are silent, dribble or stall."""
    compile_c(tmp_path)
    comparison = compare(tmp_path, 90, 1, 0.1)
    for result in (*comparison.alone, *comparison.beside):
        assert result.replies > 0
        assert (result.errors, result.unanswered) == (0, 0)


def test_a_dribbled_request_is_answered_in_the_end(tmp_path: Path) -> None:
    """Slow is no crime: after its last byte a request gets its reply."""
    with serving(SERVER, tmp_path, 1000) as running:
        clients = SlowClients(running.port, 3)
        for _ in REQUEST:
            clients.dribble()
        (dribbler,) = clients.dribblers
        dribbler.settimeout(10)
        received = b""
        while len(received) < len(REPLY):
            received += dribbler.recv(4096)
        clients.close()
    assert received == REPLY
