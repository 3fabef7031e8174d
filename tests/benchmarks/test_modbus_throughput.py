"""The throughput benchmark is sound: every server it compares answers the load.

No rate is asserted: `python tests/benchmarks/modbus_throughput.py` prints the ratios.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from modbus_peers import C_SERVER, STOCK, compile_c, load, serving
from modbus_throughput import measure, servers, table

pytestmark = [pytest.mark.peer, pytest.mark.network]

SECONDS = 0.05


@pytest.fixture(scope="module")
def programs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("modbus_peers")
    compile_c(directory)
    return directory


@pytest.mark.parametrize(("connections", "depth"), [(1, 1), (32, 1), (1, 16), (4, 64)])
@pytest.mark.parametrize("server", [s for s in servers() if not s.startswith(STOCK)])
def test_every_request_is_answered_rightly(
    programs: Path, server: str, connections: int, depth: int
) -> None:
    """One connection, many, and pipelined: no wrong and no missing reply.

    A busy computer may need longer until each connection has asked twice.
    """
    with serving(server, programs, 1000) as running:
        for seconds in (SECONDS, 20 * SECONDS, 200 * SECONDS):
            result = load(programs, running, connections, depth, 125, seconds)
            assert (result.errors, result.unanswered) == (0, 0)
            if result.replies > connections * depth:
                break
    assert result.replies > connections * depth


def test_the_load_generator_sees_what_is_not_answered(programs: Path) -> None:
    """The pinned stock server answers one of 16 pipelined requests, and this is counted."""
    with serving(STOCK, programs, 1000) as running:
        result = load(programs, running, 1, 16, 10, SECONDS)
    assert result.unanswered == 15


def test_the_load_generator_sees_wrong_replies(programs: Path) -> None:
    """An exception instead of data is an error: these registers do not exist."""
    with serving("ours", programs, 5) as running:
        result = load(programs, running, 1, 1, 10, SECONDS)
    assert result.errors == result.replies > 0


def test_the_table_shows_every_load_on_every_server(programs: Path) -> None:
    """A whole run, as short as can be, gives a row for each pair, with ratio 1 to itself."""
    results = measure(programs, SECONDS)
    lines = table(results).splitlines()[2:]
    assert len(lines) == len(results) * len(servers())
    for line in lines:
        if C_SERVER in line or (STOCK in line and "uvloop" not in line):
            assert "1.00" in line
