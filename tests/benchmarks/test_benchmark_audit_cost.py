"""The audit beside the plain server: every request answered, in both.

No time is asserted: `python tests/benchmarks/audit_cost.py` prints the figures.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from audit_cost import LOADS, measure, table
from modbus_peers import compile_c

pytestmark = [pytest.mark.peer, pytest.mark.network]


def test_both_servers_answer_everything(tmp_path: Path) -> None:
    """No error and no lost request under any load; the table names each load."""
    compile_c(tmp_path)
    best = measure(tmp_path, 0.1, 1)
    for plain, audited in best.values():
        for result in (plain, audited):
            assert result.replies > 0
            assert result.errors == 0
    assert all(name in table(best) for name in LOADS)
