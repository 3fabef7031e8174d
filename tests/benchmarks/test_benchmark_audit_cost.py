"""The audit beside the plain server: every request answered, in both.

No time is asserted: `python tests/benchmarks/audit_cost.py` prints the figures.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from audit_cost import (
    LOADS,
    bare_line,
    fleet_line,
    measure,
    measure_bare,
    measure_fleet,
    table,
)
from modbus_peers import compile_c

pytestmark = [pytest.mark.peer, pytest.mark.network]


def test_both_servers_answer_everything(tmp_path: Path) -> None:
    """No error and no lost request under any load; the table names each load."""
    compile_c(tmp_path)
    found = measure(tmp_path, 0.1, 1)
    for ((plain, audited),) in found.values():
        for result in (plain, audited):
            assert result.replies > 0
            assert result.errors == 0
    assert all(name in table(found) for name in LOADS)


def test_the_bare_cost_is_told_for_single_polls_and_bursts() -> None:
    """One round of each; both servers were asked."""
    for deep in (1, 16):
        plain_us, audited_us = measure_bare(deep, 1)
        assert min(plain_us, audited_us) > 0
        assert f"{deep} at once" in bare_line(deep, plain_us, audited_us)


def test_an_audit_of_many_devices_counts_every_request() -> None:
    """Twenty devices, each polled ten times twice; a few kilobytes are kept of each."""
    cost = measure_fleet(20, 10)
    assert cost.requests == 20 * 10 * 2 * 2
    assert cost.kept_bytes < 20 * 64 * 1024
    assert "20 devices" in fleet_line(cost)
